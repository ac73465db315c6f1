#include "src/archive/archive.h"

#include <filesystem>
#include <fstream>
#include <string>
#include <vector>

#include <catch2/catch.hpp>
#include <fmt/format.h>
#include <sqlite3.h>
#include <sys/wait.h>
#include <unistd.h>

#include "scratch_folder.h"

namespace {

using namespace conebook::src;
namespace fs = std::filesystem;

using Folder = conebook::testing::ScratchFolder;

std::string BytesOf(const std::string& path) {
  std::ifstream file(path, std::ios::binary);
  return {std::istreambuf_iterator<char>(file), {}};
}

void Write(const std::string& path, const std::string& bytes) {
  std::ofstream(path, std::ios::binary) << bytes;
}

// Reads with plain SQLite, so that what is on disk is judged by something else than the code that wrote it.
std::vector<std::string> Query(const std::string& path, const std::string& sql) {
  sqlite3* database = nullptr;
  REQUIRE(sqlite3_open_v2(path.c_str(), &database, SQLITE_OPEN_READWRITE, nullptr) == SQLITE_OK);
  std::vector<std::string> rows;
  const auto take = [](void* into, int columns, char** values, char**) {
    std::string row;
    for (int i = 0; i < columns; ++i) row += (i ? "|" : "") + std::string(values[i] ? values[i] : "null");
    static_cast<std::vector<std::string>*>(into)->push_back(row);
    return 0;
  };
  CHECK(sqlite3_exec(database, sql.c_str(), take, &rows, nullptr) == SQLITE_OK);
  sqlite3_close(database);
  return rows;
}

const std::string kRecord =
    R"({"schema":"conebook.run/1","element":"A07","footage":{"path":"clips/a.mp4","sha256":"12ab"},"points":[]})";

constexpr bool kFresh = false, kKnown = true;

// Whether it was on record already.
bool Store(const std::string& path, const std::string& json) {
  return StoreRecord(path, MakeRecord(json, {})).already_on_record;
}

}  // namespace

TEST_CASE("a run is stored once, under a key that does not know where its files lay", "[src][archive]") {
  const Folder folder;
  const std::string book = folder.In("book.db");
  CHECK(Store(book, kRecord) == kFresh);
  CHECK(Store(book, kRecord) == kKnown);
  // Other place, other order of keys, other blanks: the same run.
  CHECK(Store(book, R"({ "points": [], "footage": {"sha256": "12ab", "path": "elsewhere/b.mp4"},
      "element": "A07", "schema": "conebook.run/1" })") == kKnown);
  // Other footage: another run.
  CHECK(
      Store(
          book,
          R"({"schema":"conebook.run/1","element":"A07","footage":{"path":"clips/a.mp4","sha256":"ff"},"points":[]})") ==
      kFresh);
  CHECK(Query(book, "SELECT count(*) FROM record") == std::vector<std::string>{"2"});
}

TEST_CASE("the key is the SHA-256 of the canonical record", "[src][archive]") {
  // FIPS 180-4; the digest of {} is of the two bytes 7b 7d, as `printf '{}' | sha256sum` prints it.
  CHECK(RecordKey("{ }") == "44136fa355b3678a1146ad16f7e8649e94fb4fc21fe77e8310c060f61caaff8a");
  CHECK(RecordKey(R"({"path":"x"})") == RecordKey("{}"));
  CHECK_THROWS_AS(RecordKey("not json"), std::logic_error);
}

TEST_CASE("an archive says what it is, and is sound", "[src][archive]") {
  const Folder folder;
  const std::string book = folder.In("book.db");
  Store(book, kRecord);
  CHECK(Query(book, "PRAGMA application_id") == std::vector<std::string>{fmt::format("{}", 0x434e424b)});
  CHECK(Query(book, "PRAGMA user_version") == std::vector<std::string>{"3"});
  CHECK(Query(book, "PRAGMA integrity_check") == std::vector<std::string>{"ok"});
  CHECK(Query(book, "SELECT sha256 FROM record") == std::vector<std::string>{RecordKey(kRecord)});
  // Nothing else is left beside it.
  CHECK(std::distance(fs::directory_iterator(folder.path), {}) == 1);
}

TEST_CASE("same runs in the same order give the same rows", "[src][archive]") {
  const Folder folder;
  for (const char* name : {"one.db", "two.db"}) Store(folder.In(name), kRecord);
  CHECK(Query(folder.In("one.db"), "SELECT * FROM record") ==
        Query(folder.In("two.db"), "SELECT * FROM record"));
}

TEST_CASE("a file that is not an archive is refused and left byte for byte", "[src][archive]") {
  const Folder folder;
  const std::string text = folder.In("notes.txt"), empty = folder.In("empty.db"),
                    other = folder.In("other.db");
  Write(text, "the only copy of a year of notes\n" + std::string(200, 'x'));
  Write(empty, "");
  sqlite3* database = nullptr;
  REQUIRE(sqlite3_open(other.c_str(), &database) == SQLITE_OK);
  REQUIRE(sqlite3_exec(database, "CREATE TABLE record(sha256 TEXT PRIMARY KEY, json TEXT)", nullptr, nullptr,
                       nullptr) == SQLITE_OK);
  sqlite3_close(database);
  for (const std::string& path : {text, empty, other}) {
    INFO(path);
    const std::string before = BytesOf(path);
    CHECK_THROWS_AS(CheckArchive(path), ArchiveError);
    CHECK_THROWS_AS(Store(path, kRecord), ArchiveError);
    CHECK(BytesOf(path) == before);
  }
  CHECK(std::distance(fs::directory_iterator(folder.path), {}) == 3);
}

TEST_CASE("a folder, and a place in a folder that is not there, are refused", "[src][archive]") {
  const Folder folder;
  CHECK_THROWS_AS(CheckArchive(folder.path.string()), ArchiveError);
  CHECK_THROWS_AS(CheckArchive(folder.In("missing/book.db")), ArchiveError);
  CHECK_THROWS_AS(Store(folder.In("missing/book.db"), kRecord), ArchiveError);
}

TEST_CASE("asking first makes nothing", "[src][archive]") {
  const Folder folder;
  CHECK_NOTHROW(CheckArchive(folder.In("book.db")));
  CHECK(fs::is_empty(folder.path));
  Store(folder.In("book.db"), kRecord);
  const std::string before = BytesOf(folder.In("book.db"));
  CHECK_NOTHROW(CheckArchive(folder.In("book.db")));
  CHECK(BytesOf(folder.In("book.db")) == before);
}

TEST_CASE("an archive of a newer layout is refused, not guessed at", "[src][archive]") {
  const Folder folder;
  const std::string book = folder.In("book.db");
  Store(book, kRecord);
  Query(book, "PRAGMA user_version = 4");
  const std::string before = BytesOf(book);
  CHECK_THROWS_AS(Store(book, kRecord), ArchiveError);
  CHECK(BytesOf(book) == before);
}

TEST_CASE("a damaged archive is an archive error, with what SQLite says", "[src][archive]") {
  const Folder folder;
  const std::string book = folder.In("book.db");
  Store(book, kRecord);
  std::string bytes = BytesOf(book);
  for (std::size_t i = 100; i < bytes.size(); ++i) bytes[i] = '\x5a';
  Write(book, bytes);
  CHECK_THROWS_AS(Store(book, kRecord), ArchiveError);
  CHECK(BytesOf(book) == bytes);
}

TEST_CASE("a folder without write permission is refused", "[src][archive]") {
  const Folder folder;
  const std::string book = folder.In("book.db");
  constexpr uid_t kNobody = 65534;
  const bool is_root = ::geteuid() == 0;
  if (is_root) REQUIRE(::chown(folder.path.c_str(), kNobody, kNobody) == 0);
  fs::permissions(folder.path, fs::perms::owner_read | fs::perms::owner_exec);
  // In a process of its own, because root may write anywhere and there is no way back from giving that up.
  const pid_t child = ::fork();
  REQUIRE(child >= 0);
  if (child == 0) {
    int outcome = 1;
    if (!is_root || ::setuid(kNobody) == 0) {
      try {
        CheckArchive(book);
      } catch (const ArchiveError&) {
        outcome = 0;
      }
    }
    ::_exit(outcome);
  }
  int status = 0;
  REQUIRE(::waitpid(child, &status, 0) == child);
  CHECK(WIFEXITED(status));
  CHECK(WEXITSTATUS(status) == 0);
  CHECK(fs::is_empty(folder.path));
}
