// A tray or floor that the spray foams on: rows at the picture's lower end that change from side to side,
// beside the cone as much as in it. What flickers there would pass for drops, or for the end of the sheet.
#pragma once

#include <optional>
#include <vector>

#include "vision/clip_model.h"
#include "vision/footage.h"

namespace conebook::vision {

struct SplashOptions {
  double beside = 1.1;              // columns count from here on, of the cone's half width, and
  double beside_px = 8.0;           // this much farther out
  double least_beside_part = 0.03;  // of the picture's width, both sides together
  double least_of_rest = 3.0;       // change beside the cone against what stands still, and
  double least_of_spray = 0.5;      // against the change in the cone, both above what stands still
  double least_rows = 0.02;         // of the picture's height
  double most_rows = 0.5;           // of the rows below the exit: beyond it is no tray
  std::size_t most_frames = 12;
};

// First row of the reading picture that belongs to it; nothing where there is none. Needs the guess of a
// cone.
std::optional<int> FindSplash(const std::vector<LumaFrame>& sample, const ClipModel& model,
                              const SplashOptions& options);

}  // namespace conebook::vision
