// True lean of a spray against its element, from views of the element turned about its own axis.
//
// One view sees one component: with the datum mark turned by rotation (counter-clockwise looking upstream at
// the exit, 0 facing the camera) and the spray leaning by `size` towards `direction` (from the mark, same
// sense), the lean to the right of the picture is
//   lean(rotation) = holder - size * sin(rotation + direction)
// for small angles. `holder` is what stays while the element turns: camera roll, a holder out of plumb. Least
// squares, weighted by the views' own u; derived here, checked in the tests against rendered views.
#pragma once

#include <optional>
#include <span>
#include <string>

#include "calib/quantity.h"

namespace conebook::calib {

struct LeanView {
  double rotation_deg = 0.0;
  double u_rotation_deg = 1.0;
  double lean_deg = 0.0;    // positive: to the right of the picture
  double u_lean_deg = 0.0;  // without what all views share
};

struct ElementLean {
  Quantity size_deg;
  double direction_deg = 0.0;    // from the datum mark, in [0, 360)
  double u_direction_deg = 0.0;  // 180 where the lean is no larger than its u
  Quantity holder_deg;
};

struct NoElementLean {
  std::string reason;
};

struct ElementLeanResult {
  std::optional<ElementLean> lean;
  NoElementLean none;
};

// Three rotations or more, that do not all lie within 60 degrees of each other.
ElementLeanResult FitElementLean(std::span<const LeanView> views);

// Azimuth about the element, from the datum mark counter-clockwise looking upstream, of the side that a view
// shows at the right or left edge of the picture; in [0, 360).
double AzimuthOfSideDeg(double rotation_deg, bool right);

}  // namespace conebook::calib
