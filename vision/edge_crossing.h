// Where a falling profile crosses a level between two pixels, with what averaging moved it taken out.
//
// Averaging over a variance v adds v / 2 times the second derivative (Taylor), so that it moves a crossing by
// v f'' / (2 |f'|) towards the profile's foot; the straight line between two pixels at t adds t (1 - t) / 2
// times it likewise. Where the rim's profile changes along a side, so does this, and turns the side: grey
// films of 20 deg read 0.03 deg narrow, clear ones as much wide. The derivatives are the averaged profile's:
// of the shift 0.6 is taken out at a blur of 0.7 px, 0.7 at 1 px, 0.85 at 1.5 px.
#pragma once

#include <algorithm>
#include <array>

namespace conebook::vision {

// `s`: four neighbouring pixels from inside outwards; the level lies between the second, at or above it, and
// the third, below. variance: of the average, px^2, across. Pixels outwards of the second; the correction is
// held within half a pixel.
inline double CrossingOf(const std::array<float, 4>& s, float level, double variance) {
  constexpr double kMost = 0.5;
  const std::array<double, 4> f{static_cast<double>(s[0]), static_cast<double>(s[1]),
                                static_cast<double>(s[2]), static_cast<double>(s[3])};
  const double fall = f[1] - f[2];
  const double t = std::clamp((f[1] - static_cast<double>(level)) / fall, 0.0, 1.0);
  const double bend = (1.0 - t) * (f[0] - 2.0 * f[1] + f[2]) + t * (f[1] - 2.0 * f[2] + f[3]);
  return t - std::clamp(0.5 * (variance + t * (1.0 - t)) * bend / fall, -kMost, kMost);
}

}  // namespace conebook::vision
