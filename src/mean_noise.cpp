#include "src/mean_noise.h"

#include <algorithm>
#include <cmath>

namespace conebook::src {
namespace {

constexpr double kNoiseS = 0.05;
constexpr double kGrown = 0.85;

// Of differences over a lag: of noise its variance, of slow changes next to nothing.
double HalfMeanSquare(const std::vector<double>& values, std::size_t first, std::size_t last,
                      std::size_t lag) {
  double squares = 0.0;
  for (std::size_t i = first; i + lag <= last; ++i) squares += std::pow(values[i + lag] - values[i], 2);
  return 0.5 * squares / static_cast<double>(last - first + 1 - lag);
}

}  // namespace

MeanNoise NoiseOfMean(const std::vector<double>& time_s, const std::vector<double>& values, std::size_t first,
                      std::size_t last) {
  MeanNoise noise;
  if (last < first + 2) return noise;
  const double rows = static_cast<double>(last - first + 1);
  const double step_s = (time_s[last] - time_s[first]) / (rows - 1.0);
  const std::size_t most = std::clamp<std::size_t>(
      static_cast<std::size_t>(std::floor(kNoiseS / step_s + 0.5)), 1, (last - first) / 2);
  const double whole = HalfMeanSquare(values, first, last, most);
  // Rows are as good as independent from the lag on at which differences hardly grow any more.
  std::size_t lag = 1;
  while (lag < most && HalfMeanSquare(values, first, last, lag) < kGrown * whole) ++lag;
  const double draws = rows / static_cast<double>(lag);
  noise.u = std::sqrt(whole / draws);
  // Differences overlap: about two thirds of the draws are free (von Neumann 1941, from memory).
  noise.dof = std::max(1.0, 2.0 * (draws - 1.0) / 3.0);
  return noise;
}

}  // namespace conebook::src
