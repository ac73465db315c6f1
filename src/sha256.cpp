#include "src/sha256.h"

#include <algorithm>
#include <filesystem>
#include <fstream>
#include <memory>
#include <stdexcept>
#include <vector>

#include <fmt/core.h>
#include <openssl/evp.h>

#include <calib/error.h>

namespace conebook::src {
namespace {

class Hasher {
 public:
  Hasher() : context_(EVP_MD_CTX_new(), EVP_MD_CTX_free) {
    if (!context_ || EVP_DigestInit_ex(context_.get(), EVP_sha256(), nullptr) != 1) {
      throw std::runtime_error("SHA-256 is not available");
    }
  }
  void Add(const char* bytes, std::size_t count) {
    if (EVP_DigestUpdate(context_.get(), bytes, count) != 1) throw std::runtime_error("SHA-256 failed");
  }
  std::string Hex() {
    unsigned char digest[EVP_MAX_MD_SIZE];
    unsigned int length = 0;
    if (EVP_DigestFinal_ex(context_.get(), digest, &length) != 1) throw std::runtime_error("SHA-256 failed");
    std::string hex;
    for (unsigned int i = 0; i < length; ++i) hex += fmt::format("{:02x}", digest[i]);
    return hex;
  }

 private:
  std::unique_ptr<EVP_MD_CTX, decltype(&EVP_MD_CTX_free)> context_;
};

}  // namespace

std::string TextSha256(const std::string& bytes) {
  Hasher hasher;
  hasher.Add(bytes.data(), bytes.size());
  return hasher.Hex();
}

std::string FileSha256(const std::string& path) {
  std::ifstream stream(path, std::ios::binary);
  if (!stream)
    throw calib::InputError(path + ": cannot be opened; does the file exist, and may you read it?");
  Hasher hasher;
  std::vector<char> buffer(1 << 18);
  while (stream) {
    stream.read(buffer.data(), static_cast<std::streamsize>(buffer.size()));
    hasher.Add(buffer.data(), static_cast<std::size_t>(stream.gcount()));
  }
  if (stream.bad()) throw calib::InputError(path + ": reading it failed; is the disk all right?");
  return hasher.Hex();
}

std::string FootageSha256(const std::string& path) {
  namespace fs = std::filesystem;
  if (!fs::is_directory(path)) return FileSha256(path);
  std::vector<std::string> lines;
  for (const auto& entry : fs::directory_iterator(path)) {
    if (!entry.is_regular_file()) continue;
    lines.push_back(
        fmt::format("{}  {}\n", FileSha256(entry.path().string()), entry.path().filename().string()));
  }
  std::sort(lines.begin(), lines.end());
  std::string all;
  for (const std::string& line : lines) all += line;
  return TextSha256(all);
}

}  // namespace conebook::src
