// Test vectors: FIPS 180-2, appendix B ("abc", the 448-bit message), and the empty message of NIST's CAVP.
#include <filesystem>
#include <fstream>

#include <catch2/catch.hpp>
#include <unistd.h>

#include <calib/error.h>
#include <src/sha256.h>

using namespace conebook;

TEST_CASE("SHA-256 meets the published vectors", "[src][sha256]") {
  CHECK(src::TextSha256("abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
  CHECK(src::TextSha256("") == "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855");
  CHECK(src::TextSha256("abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq") ==
        "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1");
}

TEST_CASE("a folder of frames is the hash of its sorted lines, whatever the order on disk", "[src][sha256]") {
  namespace fs = std::filesystem;
  const fs::path folder = fs::temp_directory_path() / ("conebook_sha_test_" + std::to_string(::getpid()));
  fs::remove_all(folder);
  fs::create_directories(folder);
  std::ofstream(folder / "b.pgm") << "abc";
  std::ofstream(folder / "a.pgm") << "";
  const std::string expected = src::TextSha256(
      "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad  b.pgm\n"
      "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855  a.pgm\n");
  CHECK(src::FootageSha256(folder.string()) == expected);
  CHECK(src::FileSha256((folder / "b.pgm").string()) == src::TextSha256("abc"));
  CHECK_THROWS_AS(src::FileSha256((folder / "none").string()), calib::InputError);
}
