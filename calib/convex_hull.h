// How far a point lies outside of what others span.
#pragma once

#include <vector>

namespace conebook::calib {

// Distance of x from the convex hull of the points, and the nearest point of the hull; 0 inside.
// At least one point. Non-negative least squares (Lawson & Hanson 1974, ch. 23).
struct HullDistance {
  double distance = 0.0;
  std::vector<double> nearest;
};
HullDistance DistanceFromHull(const std::vector<std::vector<double>>& points, const std::vector<double>& x);

}  // namespace conebook::calib
