// An even series as its own past plus fresh noise: x[i] = sum a[k] x[i - 1 - k] + noise. Burg's recursion
// (1967), from memory; always stable. Order by Schwarz's criterion (1978, Ann. Stat. 6:461), from memory.
#pragma once

#include <vector>

namespace conebook::calib {

struct Autoregression {
  std::vector<double> a;
  double noise_variance = 0.0;
  // Two-sided, of values an interval apart, so that white noise's is its variance; cycles an interval, 0 to
  // 1/2.
  double Density(double cycles_per_interval) const;
  // The fresh noise of a series under this model; one value fewer per order at its head.
  std::vector<double> Whiten(const std::vector<double>& x) const;
};

// Of a series without its mean, at least order + 3 values.
Autoregression FitAutoregressionOfOrder(const std::vector<double>& x, int order);
// The same, the order found, at most max_order.
Autoregression FitAutoregression(const std::vector<double>& x, int max_order);

}  // namespace conebook::calib
