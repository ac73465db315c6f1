// The axial distances between which edges are fitted: stated, or from exit size, breakup and the picture's
// edges.
#pragma once

#include <optional>
#include <vector>

#include <calib/flag.h>

#include "vision/clip_model.h"
#include "vision/cone_fit.h"

namespace conebook::vision {

struct StationWish {
  std::optional<double> near_mm, far_mm;  // stated
  double exit_diameter_mm = 1.0;
  bool has_scale = true;  // false: messages count in exit diameters
  std::optional<double> shortest_breakup_mm;
};

struct StationChoice {
  double near_mm = 0.0, far_mm = 0.0;
  std::vector<calib::Flag> flags;  // kReject: a side is cut off by the picture
};

StationChoice ChooseStations(const ClipModel& model, const CameraSetup& setup, const StationWish& wish);

}  // namespace conebook::vision
