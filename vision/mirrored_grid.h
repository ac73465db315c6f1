// Places to look at in a picture, chosen so that a mirrored picture is looked at in the mirrored places: only
// then does its answer mirror exactly.
#pragma once

#include <cstddef>
#include <cstdint>
#include <cstdlib>
#include <utility>
#include <vector>

namespace conebook::vision {

// A grid of columns with an odd step that stands symmetrically about the picture's middle.
inline bool OnMirroredGrid(int x, int width_px, int odd_step) {
  return x % odd_step == (width_px - 1) * ((odd_step + 1) / 2) % odd_step;
}
// Its first column from x on.
inline int FirstOnMirroredGrid(int x, int width_px, int odd_step) {
  while (!OnMirroredGrid(x, width_px, odd_step)) ++x;
  return x;
}

// About `most` of them; which ones goes by row and distance from the picture's middle. Point: with x and y.
template <typename Point>
std::vector<Point> ThinMirrored(std::vector<Point> points, int width_px, std::size_t most) {
  const std::size_t one_in = (points.size() + most - 1) / most;
  if (one_in <= 1) return points;
  std::vector<Point> kept;
  kept.reserve(most);
  for (const Point& p : points) {
    const auto away = static_cast<std::uint64_t>(std::abs(2 * p.x - (width_px - 1)));
    // Multiplicative hash (Knuth, TAOCP 6.4, from memory): even over rows and columns.
    const std::uint64_t mixed =
        (away + (static_cast<std::uint64_t>(p.y) << 32U)) * std::uint64_t{0x9E3779B97F4A7C15};
    if ((mixed >> 32U) % one_in == 0) kept.push_back(p);
  }
  return kept;
}

}  // namespace conebook::vision
