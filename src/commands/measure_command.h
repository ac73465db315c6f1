// `conebook measure`: one clip, one log alone, a test day, or clips as they come.
#pragma once

#include <optional>
#include <string>

namespace conebook::src {

struct MeasureOptions {
  std::optional<std::string> clip, rig, log, sheet, follow;
  std::optional<std::string> json, archive, report, overlay;
  std::optional<std::string> date;        // of the test; nothing: as sheet, log or footage say
  std::optional<std::string> supersedes;  // the beginning of a record's key, with a reason
  std::string reason;
  bool sweep = false;     // a slowly falling pressure in bins
  bool existing = false;  // with follow: also clips that are there already
  bool again = false;     // with sheet: also what the archive has of the same files by this program
  int threads = 0;        // 0: all
  bool quiet = false;
};

// Each returns the exit status of the contract.
int MeasureOne(const MeasureOptions& options);
int MeasureDay(const MeasureOptions& options);
int MeasureFollow(const MeasureOptions& options);  // until Ctrl-C

}  // namespace conebook::src
