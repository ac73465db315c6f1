// Where the drops of a point were sized.
#pragma once

#include <optional>

#include <vision/drops_below_sheet.h>

#include "src/run.h"

namespace conebook::src {

// Upper edge of the window below the exit, mm, in a clip of the whole cone: the window reaches from there to
// the picture's last row. Nothing: a close-up of drops.
inline std::optional<double> DropWindowFromExitMm(const Point& point) {
  if (!point.drops || !point.spray.half_angle || !point.spray.breakup_mm) return std::nullopt;
  return vision::DropsBelowOptions{}.from_of_breakup * point.spray.breakup_mm->value;
}

}  // namespace conebook::src
