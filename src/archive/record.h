// A record: one thing said once, and never changed. Canonical JSON (keys sorted, no blanks) with evidence
// beside it: footage stills, per-frame readings, the stand log, the rig file. What a record is about, its
// "schema" says:
//   conebook.run/1       a measured clip or log: the result file itself
//   conebook.imported/1  earlier results of an element, typed in or read from a table; never measured here
//   conebook.element/1   statements about an element: geometry, route, material, drawing, notes
//   conebook.stock/1     where an element is and what happened to it
//   conebook.withdrawn/1 a record that no longer counts, without another in its place
// Any of them may have "supersedes": [{"record": key, "reason": text}], and "evidence": [{"name", "sha256",
// "bytes"}]. Full description: README.md beside this header.
#pragma once

#include <string>
#include <vector>

namespace conebook::src {

inline constexpr const char* kRunSchema = "conebook.run/1";
inline constexpr const char* kImportedSchema = "conebook.imported/1";
inline constexpr const char* kElementSchema = "conebook.element/1";
inline constexpr const char* kStockSchema = "conebook.stock/1";
inline constexpr const char* kWithdrawnSchema = "conebook.withdrawn/1";

struct Evidence {
  std::string name;   // unique within its record: "log.csv.gz", "still_1.jpg"
  std::string bytes;  // as kept
};

struct Record {
  std::string json;  // canonical once made by MakeRecord
  std::vector<Evidence> evidence;
};

struct Superseding {
  std::string record;  // key
  std::string reason;
};

// Adds the evidence's list and what is superseded to the JSON, and writes it canonically.
// Throws std::logic_error when the text is not a JSON object.
Record MakeRecord(const std::string& json, std::vector<Evidence> evidence,
                  const std::vector<Superseding>& supersedes = {});

// SHA-256, in hex, of the canonical record with every "path" left out: where a file lay is no part of what
// was measured. Throws std::logic_error when the text is not a JSON object.
std::string RecordKey(const std::string& json);

// The same without "supersedes" and "evidence": equal for the same run put on record twice, whatever it
// replaced and whatever was kept beside it.
std::string ContentKey(const std::string& json);

// Of a run: what went in (footage, log, rig, element, calibrations), not what came out, nor by which build.
// Two runs with equal keys are the same run measured twice. Empty for other records.
std::string InputsKey(const std::string& json);

// Gzip without a time stamp: same text, same bytes.
std::string Compressed(const std::string& bytes);
// Throws std::runtime_error where the bytes are damaged or not gzip.
std::string Uncompressed(const std::string& bytes);

}  // namespace conebook::src
