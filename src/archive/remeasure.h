// A recorded run measured again: from the footage, and from the rig file, log and calibrations that the
// archive kept beside it. And two results held against each other.
#pragma once

#include <functional>
#include <optional>
#include <string>
#include <vector>

#include <vision/spray_measurement.h>

#include "src/archive/run_record.h"

namespace conebook::src {

// Where the footage is now: tries its recorded path from the working directory and from each folder, then its
// file name in them, and takes what has the recorded hash. Nothing: not found.
std::optional<std::string> FindFootage(const std::string& record_path, const std::string& sha256,
                                       const std::vector<std::string>& folders);

// The result file, made anew. footage: nothing for a flow-only run. Throws calib::InputError, also where the
// record keeps no rig file, vision::Interrupted.
std::string Remeasure(const std::string& record_json, const EvidenceReader& evidence,
                      const std::optional<std::string>& footage, const vision::ReadOptions& options);

struct Comparison {
  bool same_bytes = false;  // but for paths
  bool same_build = false;
  // A line each: what differs by more than `allowed_u` standard uncertainties, is there in one alone, or is
  // another word.
  std::vector<std::string> differences;
  double largest_in_u = 0.0;  // largest difference of a value, in u
};

Comparison CompareResults(const std::string& recorded_json, const std::string& again_json,
                          double allowed_u = 0.1);

}  // namespace conebook::src
