// A ray down the spray crosses two walls of the cone, the near and the far one. At the same distance from the
// exit they are seen at different places: perspective and tilt lower the near wall and raise the far one, the
// more the wider the cone. What a frame shows first along the ray is whichever end is seen nearer the exit.
#pragma once

#include <array>
#include <optional>

#include <calib/cone_projection.h>

#include "vision/frame_record.h"

namespace conebook::vision {

// Per ray: seen distance over true distance of either wall's end.
struct WallsSeen {
  std::array<double, kRays> near;
  std::array<double, kRays> far;
  WallsSeen() {
    near.fill(1.0);
    far.fill(1.0);
  }
};

// Of an end at z_mm of a cone of circular section, whose sides are seen in the axis plane with these slopes
// (half width per distance, both positive outwards). Derived here: each wall's point is carried to the axis
// plane along its own ray.
WallsSeen SeeWalls(const calib::ConeProjection& projection, double z_mm, double slope_left,
                   double slope_right);

// Median of one wall's front from quartiles of what is seen first, over all rays. Both walls' fronts scatter
// alike and independently, normally in ln z: then P(seen first beyond q) is the product of both walls' own.
// With both walls seen alike this is the upper quartile, whatever the scatter. Nothing: the quartiles are
// none.
std::optional<double> MedianOfOneFront(double lower_quartile, double upper_quartile, const WallsSeen& walls);

}  // namespace conebook::vision
