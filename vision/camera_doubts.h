// What the rig states of camera and scale, held against each other; a contradiction is a flag, never an
// error: the clip may be sound.
#pragma once

#include <optional>
#include <vector>

#include <calib/cone_projection.h>
#include <calib/flag.h>
#include <calib/quantity.h>

#include "vision/view.h"

namespace conebook::vision {

// u of the focal length of a lens file without u: what a careful calibration stays within (common practice,
// no source).
inline constexpr double kLensPart = 0.01;

// px/mm at the exit. Only where the view has a scale, stated or by focal length and distance.
calib::Quantity ScaleOf(const View& view, const calib::ConeCamera& camera);

// Focal length over distance against the scale (camera_inconsistent: told beyond two u, for one sound rig in
// twenty lies beyond; a warning where one in 370 does), and a lens file of another picture size
// (lens_scaled). The same condition.
std::vector<calib::Flag> ScaleDoubts(const View& view, const calib::ConeCamera& camera);

// The rig's own checks with known cones were off by more than two u.
std::optional<calib::Flag> KnownConesOff(const View& view);

}  // namespace conebook::vision
