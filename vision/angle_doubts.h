// What speaks against a half angle that was fitted: too small for a cone, edges that flutter, that few frames
// show or that are not straight, too short a record.
#pragma once

#include <functional>
#include <vector>

#include <calib/cone_projection.h>
#include <calib/flag.h>

#include "vision/cone_fit.h"
#include "vision/statistics.h"

namespace conebook::vision {

struct AngleDoubts {
  bool no_cone = false;            // the angle is to be taken back
  std::vector<calib::Flag> flags;  // without point and quantity, which the caller knows
};

// A side's boundary from a part of the point's frames, upright pixels.
using BoundaryOfPart = std::function<std::vector<cv::Point2f>(int side, const Block& frames)>;

// near_mm, far_mm: the stations; exit_radius_mm: half the exit's diameter. The boundary of parts is asked for
// only where a side does not seem straight.
AngleDoubts DoubtsOf(const ConeAngles& angles, const calib::ConeCamera& camera, double near_mm, double far_mm,
                     double exit_radius_mm, const BoundaryOfPart& boundary_of_part);

}  // namespace conebook::vision
