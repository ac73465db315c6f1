#include "src/archive/archive.h"

#include <array>
#include <cerrno>
#include <cstdint>
#include <cstring>
#include <filesystem>
#include <fstream>
#include <optional>
#include <string_view>
#include <system_error>
#include <vector>

#include <SQLiteCpp/SQLiteCpp.h>
#include <fcntl.h>
#include <fmt/format.h>
#include <nlohmann/json.hpp>
#include <unistd.h>

#include "src/sha256.h"

namespace conebook::src {
namespace {

namespace fs = std::filesystem;

constexpr std::uint32_t kApplicationId = 0x434e424b;
constexpr std::uint32_t kUserVersion = 1;
constexpr int kBusyMilliseconds = 10'000;  // another process may be storing a run of its own

std::string Reason(int error_number) {
  return std::generic_category().message(error_number);
}

[[noreturn]] void Refuse(const std::string& path, const std::string& why) {
  throw ArchiveError("archive " + path + ": " + why);
}

std::string FolderOf(const std::string& path) {
  const fs::path folder = fs::path(path).parent_path();
  return folder.empty() ? "." : folder.string();
}

std::uint32_t BigEndian(const unsigned char* bytes) {
  return static_cast<std::uint32_t>(bytes[0]) << 24U | static_cast<std::uint32_t>(bytes[1]) << 16U |
         static_cast<std::uint32_t>(bytes[2]) << 8U | static_cast<std::uint32_t>(bytes[3]);
}

// Looks at the plain bytes (SQLite's "Database File Format", 1.3: user version at 60, application id at 68),
// because opening a database may write to it. Returns false where nothing is yet.
bool IsArchive(const std::string& path) {
  std::error_code error;
  const fs::file_status status = fs::status(path, error);
  if (status.type() == fs::file_type::not_found) return false;
  if (error) Refuse(path, error.message());
  if (!fs::is_regular_file(status))
    Refuse(path, "is not a file; give the path of an archive, or of one to be made");
  std::ifstream file(path, std::ios::binary);
  if (!file) Refuse(path, "cannot be read: " + Reason(errno));
  std::array<unsigned char, 100> head{};
  file.read(reinterpret_cast<char*>(head.data()), head.size());
  constexpr std::string_view kMagic("SQLite format 3\0", 16);
  if (file.gcount() != static_cast<std::streamsize>(head.size()) ||
      std::memcmp(head.data(), kMagic.data(), kMagic.size()) != 0 || BigEndian(&head[68]) != kApplicationId)
    Refuse(path, "exists but is not an archive of this program; it was left as it is. Give another path");
  const std::uint32_t version = BigEndian(&head[60]);
  if (version != kUserVersion)
    Refuse(path,
           fmt::format(
               "has layout {}, this program knows layout {}; use the program that made it, or a newer one",
               version, kUserVersion));
  return true;
}

void MustBeWritable(const std::string& path, bool exists) {
  const std::string folder = FolderOf(path);
  std::error_code error;
  if (!fs::is_directory(folder, error))
    Refuse(path, "the folder " + folder + " does not exist; make it first");
  // The journal lies beside the archive, so the folder counts even where the file exists.
  if (::access(folder.c_str(), W_OK | X_OK) != 0)
    Refuse(path, "the folder " + folder + " is not writable: " + Reason(errno));
  if (exists && ::access(path.c_str(), R_OK | W_OK) != 0) Refuse(path, "is not writable: " + Reason(errno));
}

void SetUp(SQLite::Database& database) {
  database.exec("PRAGMA synchronous = FULL");
}

// Under another name first: a run that is cut short leaves no half-made archive under the name asked for.
void MakeArchive(const std::string& path) {
  const std::string part = fmt::format("{}.part-{}", path, ::getpid());
  struct Remover {
    const std::string& name;
    ~Remover() { ::unlink(name.c_str()); }
  } remover{part};
  {
    SQLite::Database database(part, SQLite::OPEN_READWRITE | SQLite::OPEN_CREATE);
    SetUp(database);
    SQLite::Transaction transaction(database);
    database.exec(fmt::format("PRAGMA application_id = {}", kApplicationId));
    database.exec(fmt::format("PRAGMA user_version = {}", kUserVersion));
    database.exec("CREATE TABLE record(sha256 TEXT PRIMARY KEY, json TEXT NOT NULL)");
    transaction.commit();
  }
  // link never replaces: whoever made an archive there meanwhile keeps it.
  if (::link(part.c_str(), path.c_str()) != 0 && errno != EEXIST) {
    const int link_error = errno;
    // Some file systems know no hard links.
    if (fs::exists(path) || ::rename(part.c_str(), path.c_str()) != 0)
      Refuse(path, "cannot be made: " + Reason(link_error));
  }
}

nlohmann::json Parsed(const std::string& record_json) {
  nlohmann::json record = nlohmann::json::parse(record_json, nullptr, false);
  if (!record.is_object()) throw std::logic_error("a record for the archive is not a JSON object");
  return record;
}

void RemovePaths(nlohmann::json& node) {
  if (node.is_object()) node.erase("path");
  if (node.is_structured())
    for (nlohmann::json& child : node) RemovePaths(child);
}

}  // namespace

std::string RecordKey(const std::string& record_json) {
  nlohmann::json record = Parsed(record_json);
  RemovePaths(record);
  return TextSha256(record.dump());
}

void CheckArchive(const std::string& path) {
  MustBeWritable(path, IsArchive(path));
}

StoreOutcome StoreRun(const std::string& path, const std::string& record_json) {
  const std::string canonical = Parsed(record_json).dump();
  const std::string key = RecordKey(record_json);
  const bool exists = IsArchive(path);
  MustBeWritable(path, exists);
  try {
    if (!exists) MakeArchive(path);
    // Again: what lies there now may not be what was looked at, or made, above.
    IsArchive(path);
    SQLite::Database database(path, SQLite::OPEN_READWRITE, kBusyMilliseconds);
    SetUp(database);
    SQLite::Transaction transaction(database);
    SQLite::Statement insert(database,
                             "INSERT INTO record(sha256, json) VALUES(?, ?) ON CONFLICT(sha256) DO NOTHING");
    insert.bind(1, key);
    insert.bind(2, canonical);
    const int added = insert.exec();
    transaction.commit();
    return added == 1 ? StoreOutcome::kStored : StoreOutcome::kAlreadyOnRecord;
  } catch (const SQLite::Exception& error) {
    Refuse(path, fmt::format("nothing was stored: {} (code {})", error.what(), error.getErrorCode()));
  }
}

}  // namespace conebook::src
