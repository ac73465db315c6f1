#include "calib/holm.h"

#include <algorithm>
#include <numeric>
#include <stdexcept>

namespace conebook::calib {

std::vector<double> HolmAdjusted(std::span<const double> p) {
  for (const double value : p)
    if (!(value >= 0.0 && value <= 1.0)) throw std::logic_error("HolmAdjusted: p is not between 0 and 1");
  std::vector<std::size_t> order(p.size());
  std::iota(order.begin(), order.end(), 0);
  std::stable_sort(order.begin(), order.end(), [&](std::size_t a, std::size_t b) { return p[a] < p[b]; });
  std::vector<double> adjusted(p.size());
  double largest = 0.0;
  for (std::size_t i = 0; i < order.size(); ++i) {
    const auto left = static_cast<double>(order.size() - i);
    largest = std::max(largest, std::min(1.0, left * p[order[i]]));
    adjusted[order[i]] = largest;
  }
  return adjusted;
}

}  // namespace conebook::calib
