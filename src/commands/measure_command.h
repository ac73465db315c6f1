// `conebook measure`: one clip, one log alone, or a test day.
#pragma once

#include <optional>
#include <string>

namespace conebook::src {

struct MeasureOptions {
  std::optional<std::string> clip, rig, log, sheet;
  std::optional<std::string> json, archive, report, overlay;
  std::optional<std::string> date;        // of the test; nothing: as sheet, log or footage say
  std::optional<std::string> supersedes;  // the beginning of a record's key, with a reason
  std::string reason;
  int threads = 0;  // 0: all
  bool quiet = false;
};

// Each returns the exit status of the contract.
int MeasureOne(const MeasureOptions& options);
int MeasureDay(const MeasureOptions& options);

}  // namespace conebook::src
