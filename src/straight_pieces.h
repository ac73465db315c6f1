// Cuts a series into straight pieces: the partition with the least sum of squared residuals over noise
// variance, plus a price per piece. Exact (dynamic programming over all cuts); the series is taken as it
// comes, no smoothing.
#pragma once

#include <vector>

namespace conebook::src {

struct StraightPiece {
  std::size_t first = 0, last = 0;  // both inside
  double mean_t = 0.0, mean = 0.0, slope = 0.0;
  double residual_ss = 0.0;

  double At(double t) const { return mean + slope * (t - mean_t); }
};

// Least-squares line through values[first..last].
StraightPiece FitPiece(const std::vector<double>& t, const std::vector<double>& values, std::size_t first,
                       std::size_t last);

// noise_sd > 0. Pieces of at least two values (a single value at the very end may stay alone).
std::vector<StraightPiece> CutIntoStraightPieces(const std::vector<double>& t,
                                                 const std::vector<double>& values, double noise_sd);

// Noise of a series that is straight most of the time: the larger of the one seen from value to value and the
// one seen over stretches of `window` values (which knows hum and ripple).
double EstimateNoise(const std::vector<double>& t, const std::vector<double>& values, std::size_t window);

}  // namespace conebook::src
