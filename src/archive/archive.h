// The archive: one SQLite file of records that never change, with their evidence and an index made from them.
// SQLite stays behind this header. Tables and record kinds: README.md beside it. There are no time stamps and
// no paths of this machine: the same records give the same index, byte for byte.
//
// Writers take turns: a second one waits for the first, up to a minute. What a call has reported as stored is
// on disk (synchronous FULL); what was cut short has changed nothing.
#pragma once

#include <functional>
#include <map>
#include <optional>
#include <stdexcept>
#include <string>
#include <vector>

#include "src/archive/record.h"

namespace conebook::src {

// The archive cannot be used: not writable, or not an archive. The text is for the user.
class ArchiveError : public std::runtime_error {
 public:
  explicit ArchiveError(const std::string& message_for_user) : std::runtime_error(message_for_user) {}
};

// To be asked before work starts. A path where nothing is yet is fine if a file can be made there. Nothing on
// disk is changed, whatever the outcome. Throws ArchiveError.
void CheckArchive(const std::string& path);

struct Stored {
  std::string key;
  bool already_on_record = false;
  // Of a run: earlier records of the same inputs, which this one now stands for (another build, or a date
  // stated since), and records of the same footage with other inputs, which go on to count beside it.
  std::vector<std::string> superseded, same_footage;
};

// Makes the archive if there is none. All records are on disk afterwards, or nothing has changed.
// Throws ArchiveError; a file that is not an archive is left as it is, byte for byte.
std::vector<Stored> StoreRecords(const std::string& path, const std::vector<Record>& records);
Stored StoreRecord(const std::string& path, const Record& record);

// The one record whose key begins with `prefix` (four digits or more). Throws calib::InputError where there
// is none or more than one, ArchiveError.
std::string FindKey(const std::string& path, const std::string& prefix);

// A run of the same inputs (InputsKey) put on record by this build, which nothing stands for since. Nothing:
// none, or no archive there yet. Throws ArchiveError.
std::optional<std::string> RunOnRecord(const std::string& path, const std::string& inputs_key,
                                       const std::string& build);

// A record as it is kept, with its evidence; evidence that is not there has no bytes.
// Throws ArchiveError; std::out_of_range where there is no such key.
Record ReadRecord(const std::string& path, const std::string& key, bool with_evidence = true);

// Several JSON texts at once, in the order of the keys given.
std::vector<std::string> ReadRecords(const std::string& path, const std::vector<std::string>& keys);

// Reads evidence by its SHA-256 from one open file.
std::function<std::optional<std::string>(const std::string&)> EvidenceOf(const std::string& path);

struct Merged {
  int added = 0, already_on_record = 0;
  std::vector<std::string> damaged;  // keys, and why they were left out
};

// All of `from` into `path`, in one transaction; `from` is only read. Throws ArchiveError.
Merged MergeArchive(const std::string& from, const std::string& path);

// Drops the index and makes it again from the records.
void RebuildIndex(const std::string& path);

struct Integrity {
  int records = 0, evidence = 0;
  std::vector<std::string> problems;  // a sentence each; empty: sound
};

// SQLite's own check, every record against its key, every piece of evidence against its hash, evidence that a
// record names and that is not there, supersedes without a target (merge may bring it), and the index against
// one made afresh.
Integrity CheckIntegrity(const std::string& path, const std::function<void(double)>& on_progress);

}  // namespace conebook::src
