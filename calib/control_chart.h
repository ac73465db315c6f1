// Control limits of a series of single values, one a test day or so: the individuals chart of ISO 7870-2
// (Shewhart). Centre: their mean. Spread: the mean of the differences between neighbours over d2 = 1.128, so
// that a slow drift does not widen the limits. Limits: three of it either side (2.66 mean differences).
#pragma once

#include <cstddef>
#include <optional>
#include <span>

namespace conebook::calib {

inline constexpr std::size_t kLeastForLimits = 8;  // common practice wants 20 and more, no source

struct ControlLimits {
  double centre = 0.0, lower = 0.0, upper = 0.0;
  bool Hold(double value) const { return value >= lower && value <= upper; }
};

// In the order in which they were taken. Nothing with fewer than kLeastForLimits.
std::optional<ControlLimits> IndividualsLimits(std::span<const double> values);

}  // namespace conebook::calib
