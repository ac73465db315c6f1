// What the readers of shadows below the end of the sheet (grain, mist share, ligament share) have in common.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "vision/clip_model.h"
#include "vision/grain_index.h"
#include "vision/statistics.h"

namespace conebook::vision {

struct ShadowRequest {
  const ClipModel* model = nullptr;
  std::vector<std::int64_t> frames;  // rising numbers of decoded frames
  double breakup_px = 0.0;           // along the axis from the exit
};

struct ShareResult {
  std::optional<ShadowShare> share;
  std::string why;  // where there is none
};

// u by scatter, from values that each leave out one block of frames; `otherwise`: their standard error where
// they are too few (jackknife; B. Efron, The Jackknife, the Bootstrap and Other Resampling Plans (1982),
// chapter 3; from memory).
inline double UncertaintyWithoutBlocks(const std::vector<double>& values, double otherwise) {
  return (static_cast<double>(values.size()) - 1.0) * UncertaintyOfMean(values).value_or(otherwise);
}

}  // namespace conebook::vision
