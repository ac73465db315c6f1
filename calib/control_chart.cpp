#include "calib/control_chart.h"

#include <cmath>

namespace conebook::calib {

std::optional<ControlLimits> IndividualsLimits(std::span<const double> values) {
  if (values.size() < kLeastForLimits) return std::nullopt;
  constexpr double kD2 = 1.128;  // of two values from a normal distribution
  double sum = 0.0, ranges = 0.0;
  for (std::size_t i = 0; i < values.size(); ++i) {
    sum += values[i];
    if (i > 0) ranges += std::abs(values[i] - values[i - 1]);
  }
  const double count = static_cast<double>(values.size());
  const double three_sigma = 3.0 * ranges / (count - 1.0) / kD2;
  ControlLimits limits;
  limits.centre = sum / count;
  limits.lower = limits.centre - three_sigma;
  limits.upper = limits.centre + three_sigma;
  return limits;
}

}  // namespace conebook::calib
