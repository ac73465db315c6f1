// The archive: one SQLite file of run records that never change. SQLite stays behind this header.
//
// Layout, user_version 1, application_id 0x434e424b ("CNBK"):
//   record(sha256 TEXT PRIMARY KEY,  -- RecordKey of json
//          json   TEXT NOT NULL)     -- the result file as canonical JSON: keys sorted, no blanks
// Rows are only ever added; rowid is the order of adding. There are no time stamps: the same runs, stored in
// the same order, give the same rows.
#pragma once

#include <stdexcept>
#include <string>

namespace conebook::src {

// The archive cannot be used: not writable, or not an archive. The text is for the user.
class ArchiveError : public std::runtime_error {
 public:
  explicit ArchiveError(const std::string& message_for_user) : std::runtime_error(message_for_user) {}
};

enum class StoreOutcome { kStored, kAlreadyOnRecord };

// SHA-256, in hex, of the canonical record with every "path" left out: where a file lay is no part of what
// was measured. Throws std::logic_error when the text is not a JSON object.
std::string RecordKey(const std::string& record_json);

// To be asked before work starts. A path where nothing is yet is fine if a file can be made there. Nothing on
// disk is changed, whatever the outcome. Throws ArchiveError.
void CheckArchive(const std::string& path);

// Makes the archive if there is none. Either the whole record is on disk afterwards, or nothing has changed.
// Throws ArchiveError; a file that is not an archive is left as it is, byte for byte.
StoreOutcome StoreRun(const std::string& path, const std::string& record_json);

}  // namespace conebook::src
