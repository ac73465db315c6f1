#include "src/report/digits.h"

#include <algorithm>
#include <cmath>

#include <fmt/format.h>

namespace conebook::src {
namespace {

constexpr int kMostDecimals = 9;
constexpr int kDecimalsOfPerfection = 6;

// "-0.00" says nothing that "0.00" does not.
std::string Fixed(double value, int decimals) {
  std::string text = fmt::format("{:.{}f}", value, decimals);
  if (text.front() == '-' && text.find_first_of("123456789") == std::string::npos) text.erase(0, 1);
  return text;
}

}  // namespace

int DecimalsFor(double u) {
  if (!(u > 0.0) || !std::isfinite(u)) return kDecimalsOfPerfection;
  // Through the decimal text, so that 0.0996 is seen as 0.10 and not as 0.100.
  const std::string text = fmt::format("{:.1e}", u);
  const int exponent = std::stoi(text.substr(text.find('e') + 1));
  return std::clamp(1 - exponent, 0, kMostDecimals);
}

Rounded RoundByU(double value, double u) {
  const int decimals = DecimalsFor(u);
  return {Fixed(value, decimals), Fixed(u, decimals)};
}

std::string ValueWithU(const calib::Quantity& quantity) {
  const Rounded rounded = RoundByU(quantity.value, quantity.u);
  return rounded.value + " ± " + rounded.u;
}

std::string IntervalText(const calib::Quantity& quantity) {
  const calib::Interval interval = calib::Interval95(quantity);
  const int decimals = DecimalsFor(quantity.u);
  return Fixed(interval.lo, decimals) + " to " + Fixed(interval.hi, decimals);
}

}  // namespace conebook::src
