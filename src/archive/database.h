// The archive as a SQLite file: opening, making, checking, transactions. For the sources of src/archive
// alone; everything else goes through archive.h and query.h.
//
// application_id 0x434e424b ("CNBK"), user_version 3. Tables: README.md beside this header. Earlier layouts
// had a smaller index, or none; they are brought up to date when opened, and say so where they cannot be.
#pragma once

#include <cstdint>
#include <functional>
#include <memory>
#include <string>

namespace SQLite {
class Database;
}

namespace conebook::src {

inline constexpr std::uint32_t kApplicationId = 0x434e424b;
inline constexpr std::uint32_t kUserVersion = 3;

enum class Access { kRead, kWrite };

// [sha256, record] pairs and their evidence: what an archive consists of. Everything else is an index.
inline constexpr const char* kRecordTables =
    "CREATE TABLE IF NOT EXISTS record(sha256 TEXT PRIMARY KEY, json TEXT NOT NULL);"
    "CREATE TABLE IF NOT EXISTS evidence(sha256 TEXT PRIMARY KEY, bytes BLOB NOT NULL);";

// Throws ArchiveError with the path in front.
[[noreturn]] void RefuseArchive(const std::string& path, const std::string& why);

// Looks at the plain bytes, because opening a database may write to it. False where nothing is yet. Throws
// ArchiveError where there is something else, or a layout that this program does not know.
bool IsArchive(const std::string& path);

// Throws ArchiveError where the archive, or the folder that takes its journal, cannot be written.
void MustBeWritable(const std::string& path, bool exists);

// kWrite makes the archive if there is none. Throws ArchiveError.
std::unique_ptr<SQLite::Database> OpenDatabase(const std::string& path, Access access);

// Runs `work` in one transaction that is the only writer's from its start; all of it is on disk afterwards,
// or nothing has changed. SQLite's errors become ArchiveError "nothing was stored".
void InTransaction(const std::string& path, SQLite::Database& database, const std::function<void()>& work);

// Reads, with SQLite's errors turned into ArchiveError.
void Reading(const std::string& path, const std::function<void()>& work);

}  // namespace conebook::src
