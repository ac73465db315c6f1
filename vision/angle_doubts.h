// What speaks against a half angle that was fitted: too small for a cone, edges that flutter, that few frames
// show or that are not straight, too short a record.
#pragma once

#include <vector>

#include <calib/cone_projection.h>
#include <calib/flag.h>

#include "vision/cone_fit.h"

namespace conebook::vision {

struct AngleDoubts {
  bool no_cone = false;            // the angle is to be taken back
  std::vector<calib::Flag> flags;  // without point and quantity, which the caller knows
};

// near_mm, far_mm: the stations; exit_radius_mm: half the exit's diameter.
AngleDoubts DoubtsOf(const ConeAngles& angles, const calib::ConeCamera& camera, double near_mm, double far_mm,
                     double exit_radius_mm);

}  // namespace conebook::vision
