#include "calib/autoregression.h"

#include <algorithm>
#include <cmath>
#include <complex>
#include <limits>
#include <numbers>

namespace conebook::calib {

double Autoregression::Density(double cycles_per_interval) const {
  std::complex<double> sum = 1.0;
  for (std::size_t k = 0; k < a.size(); ++k)
    sum -= a[k] * std::polar(1.0, -2.0 * std::numbers::pi * cycles_per_interval * static_cast<double>(k + 1));
  return noise_variance / std::norm(sum);
}

std::vector<double> Autoregression::Whiten(const std::vector<double>& x) const {
  std::vector<double> fresh;
  for (std::size_t i = a.size(); i < x.size(); ++i) {
    double value = x[i];
    for (std::size_t k = 0; k < a.size(); ++k) value -= a[k] * x[i - 1 - k];
    fresh.push_back(value);
  }
  return fresh;
}

namespace {

// Of every order from 0 to most; fewer where the noise is used up.
std::vector<Autoregression> Burg(const std::vector<double>& x, int most) {
  const std::size_t n = x.size();
  std::vector<Autoregression> result(1);
  for (const double v : x) result[0].noise_variance += v * v / static_cast<double>(n);
  std::vector<double> forward = x, backward = x;
  for (std::size_t order = 1; order <= static_cast<std::size_t>(std::max(0, most)); ++order) {
    double over = 0.0, under = 0.0;
    for (std::size_t i = order; i < n; ++i) {
      over += forward[i] * backward[i - 1];
      under += forward[i] * forward[i] + backward[i - 1] * backward[i - 1];
    }
    if (!(under > 0.0)) break;
    const double k = 2.0 * over / under;
    for (std::size_t i = n - 1; i >= order; --i) {
      const double f = forward[i];
      const double b = backward[i - 1];
      forward[i] = f - k * b;
      backward[i] = b - k * f;
    }
    const Autoregression& last = result.back();
    Autoregression next = last;
    for (std::size_t j = 0; j < last.a.size(); ++j) next.a[j] -= k * last.a[last.a.size() - 1 - j];
    next.a.push_back(k);
    next.noise_variance *= 1.0 - k * k;
    if (!(next.noise_variance > 0.0)) break;
    result.push_back(next);
  }
  return result;
}

}  // namespace

Autoregression FitAutoregressionOfOrder(const std::vector<double>& x, int order) {
  return Burg(x, order).back();
}

Autoregression FitAutoregression(const std::vector<double>& x, int max_order) {
  const std::vector<Autoregression> models = Burg(x, max_order);
  const auto n = static_cast<double>(x.size());
  double least = std::numeric_limits<double>::infinity();
  const Autoregression* best = &models.front();
  for (const Autoregression& model : models) {
    const double parameters = static_cast<double>(model.a.size()) + 1.0;
    if (n - parameters - 1.0 < 1.0 || !(model.noise_variance > 0.0)) break;
    const double criterion = n * std::log(model.noise_variance) + std::log(n) * parameters;
    if (criterion < least) {
      least = criterion;
      best = &model;
    }
  }
  return *best;
}

}  // namespace conebook::calib
