// `conebook measure`: one clip, one log alone, or a test day.
#pragma once

#include <optional>
#include <string>

namespace conebook::src {

struct MeasureOptions {
  std::optional<std::string> clip, rig, log, sheet;
  std::optional<std::string> json, archive, report, overlay;
  int threads = 0;  // 0: all
  bool quiet = false;
};

// Each returns the exit status of the contract.
int MeasureOne(const MeasureOptions& options);
int MeasureDay(const MeasureOptions& options);

}  // namespace conebook::src
