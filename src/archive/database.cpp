#include "src/archive/database.h"

#include <array>
#include <cerrno>
#include <cstring>
#include <filesystem>
#include <fstream>
#include <string_view>
#include <system_error>

#include <SQLiteCpp/SQLiteCpp.h>
#include <fcntl.h>
#include <fmt/format.h>
#include <unistd.h>

#include "src/archive/archive.h"
#include "src/archive/index.h"

namespace conebook::src {
namespace {

namespace fs = std::filesystem;

constexpr int kBusyMilliseconds = 60'000;  // another process may be storing or merging

std::string Reason(int error_number) {
  return std::generic_category().message(error_number);
}

std::string FolderOf(const std::string& path) {
  const fs::path folder = fs::path(path).parent_path();
  return folder.empty() ? "." : folder.string();
}

std::uint32_t BigEndian(const unsigned char* bytes) {
  return static_cast<std::uint32_t>(bytes[0]) << 24U | static_cast<std::uint32_t>(bytes[1]) << 16U |
         static_cast<std::uint32_t>(bytes[2]) << 8U | static_cast<std::uint32_t>(bytes[3]);
}

void SetUp(SQLite::Database& database) {
  database.exec("PRAGMA synchronous = FULL");
  database.exec("PRAGMA temp_store = MEMORY");
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
    database.exec(kRecordTables);
    MakeIndexTables(database);
    transaction.commit();
  }
  // link never replaces: whoever made an archive there meanwhile keeps it.
  if (::link(part.c_str(), path.c_str()) != 0 && errno != EEXIST) {
    const int link_error = errno;
    // Some file systems know no hard links.
    if (fs::exists(path) || ::rename(part.c_str(), path.c_str()) != 0)
      RefuseArchive(path, "cannot be made: " + Reason(link_error));
  }
  // The name itself must outlive a power cut.
  if (const int folder = ::open(FolderOf(path).c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC); folder >= 0) {
    ::fsync(folder);
    ::close(folder);
  }
}

[[noreturn]] void Refuse(const std::string& path, const char* outcome, const SQLite::Exception& error) {
  constexpr int kFull = 13, kBusy = 5, kIoError = 10, kCorrupt = 11, kNotADatabase = 26;  // sqlite3.h
  std::string why = fmt::format("{} (code {})", error.what(), error.getErrorCode());
  if (error.getErrorCode() == kFull || error.getErrorCode() == kIoError)
    why += "; is the disk full?";
  else if (error.getErrorCode() == kBusy)
    why += "; another program has been writing to it for more than a minute";
  else if (error.getErrorCode() == kCorrupt || error.getErrorCode() == kNotADatabase)
    why += "; see conebook verify, and your latest copy of the file";
  RefuseArchive(path, outcome + why);
}

int LayoutOf(SQLite::Database& database) {
  return database.execAndGet("PRAGMA user_version").getInt();
}

}  // namespace

void RefuseArchive(const std::string& path, const std::string& why) {
  throw ArchiveError("archive " + path + ": " + why);
}

bool IsArchive(const std::string& path) {
  std::error_code error;
  const fs::file_status status = fs::status(path, error);
  if (status.type() == fs::file_type::not_found) return false;
  if (error) RefuseArchive(path, error.message());
  if (!fs::is_regular_file(status))
    RefuseArchive(path, "is not a file; give the path of an archive, or of one to be made");
  std::ifstream file(path, std::ios::binary);
  if (!file) RefuseArchive(path, "cannot be read: " + Reason(errno));
  // SQLite's "Database File Format", 1.3: user version at 60, application id at 68.
  std::array<unsigned char, 100> head{};
  file.read(reinterpret_cast<char*>(head.data()), head.size());
  constexpr std::string_view kMagic("SQLite format 3\0", 16);
  if (file.gcount() != static_cast<std::streamsize>(head.size()) ||
      std::memcmp(head.data(), kMagic.data(), kMagic.size()) != 0 || BigEndian(&head[68]) != kApplicationId) {
    RefuseArchive(path,
                  "exists but is not an archive of this program; it was left as it is. Give another path");
  }
  const std::uint32_t version = BigEndian(&head[60]);
  if (version == 0 || version > kUserVersion) {
    RefuseArchive(
        path, fmt::format("has layout {}, this program knows layouts up to {}; use the program that made it, "
                          "or a newer one",
                          version, kUserVersion));
  }
  return true;
}

void MustBeWritable(const std::string& path, bool exists) {
  const std::string folder = FolderOf(path);
  std::error_code error;
  if (!fs::is_directory(folder, error))
    RefuseArchive(path, "the folder " + folder + " does not exist; make it first");
  // The journal lies beside the archive, so the folder counts even where the file exists.
  if (::access(folder.c_str(), W_OK | X_OK) != 0)
    RefuseArchive(path, "the folder " + folder + " is not writable: " + Reason(errno));
  if (exists && ::access(path.c_str(), R_OK | W_OK) != 0)
    RefuseArchive(path, "is not writable: " + Reason(errno));
}

std::unique_ptr<SQLite::Database> OpenDatabase(const std::string& path, Access access) {
  const bool exists = IsArchive(path);
  if (access == Access::kRead && !exists)
    RefuseArchive(path, "does not exist; conebook measure ... --archive " + path + " makes one");
  if (access == Access::kWrite) MustBeWritable(path, exists);
  try {
    if (!exists) MakeArchive(path);
    // Again: what lies there now may not be what was looked at, or made, above.
    IsArchive(path);
    // Reading, too, may have to undo what a killed writer left in the journal.
    const bool can_write = ::access(path.c_str(), W_OK) == 0 && ::access(FolderOf(path).c_str(), W_OK) == 0;
    auto database = std::make_unique<SQLite::Database>(
        path, can_write ? SQLite::OPEN_READWRITE : SQLite::OPEN_READONLY, kBusyMilliseconds);
    SetUp(*database);
    const int newest = static_cast<int>(kUserVersion);
    if (const int layout = LayoutOf(*database); layout < newest) {
      if (!can_write)
        RefuseArchive(
            path,
            fmt::format("has layout {} and must be brought up to date once, but is not writable", layout));
      InTransaction(path, *database, [&] {
        if (LayoutOf(*database) == newest) return;  // another process was faster
        database->exec(kRecordTables);
        MakeIndexTables(*database);
        RebuildIndexTables(*database);
        database->exec(fmt::format("PRAGMA user_version = {}", kUserVersion));
      });
    }
    return database;
  } catch (const SQLite::Exception& error) {
    Refuse(path, access == Access::kWrite ? "nothing was stored: " : "", error);
  }
}

void InTransaction(const std::string& path, SQLite::Database& database, const std::function<void()>& work) {
  try {
    SQLite::Transaction transaction(database, SQLite::TransactionBehavior::IMMEDIATE);
    work();
    transaction.commit();
  } catch (const SQLite::Exception& error) {
    Refuse(path, "nothing was stored: ", error);
  }
}

void Reading(const std::string& path, const std::function<void()>& work) {
  try {
    work();
  } catch (const SQLite::Exception& error) {
    Refuse(path, "", error);
  }
}

}  // namespace conebook::src
