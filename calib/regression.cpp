#include "calib/regression.h"

#include <cmath>
#include <stdexcept>

namespace conebook::calib {
namespace {

bool Usable(const std::vector<double>& x, const std::vector<double>& y) {
  if (x.size() != y.size()) throw std::logic_error("regression: x and y differ in length");
  for (std::size_t i = 0; i < x.size(); ++i) {
    if (!std::isfinite(x[i]) || !std::isfinite(y[i])) return false;
  }
  return !x.empty();
}

}  // namespace

std::optional<OriginFit> FitThroughOrigin(const std::vector<double>& x, const std::vector<double>& y) {
  if (!Usable(x, y)) return std::nullopt;
  double xx = 0.0, xy = 0.0, yy = 0.0;
  for (std::size_t i = 0; i < x.size(); ++i) {
    xx += x[i] * x[i];
    xy += x[i] * y[i];
    yy += y[i] * y[i];
  }
  if (!(xx > 0.0)) return std::nullopt;
  OriginFit fit;
  fit.slope = xy / xx;
  for (std::size_t i = 0; i < x.size(); ++i) {
    const double residual = y[i] - fit.slope * x[i];
    fit.residual_ss += residual * residual;
  }
  fit.dof = static_cast<int>(x.size()) - 1;
  fit.r_squared_about_zero = yy > 0.0 ? 1.0 - fit.residual_ss / yy : 0.0;
  if (fit.dof > 0) {
    fit.residual_sd = std::sqrt(fit.residual_ss / fit.dof);
    fit.sd_slope = *fit.residual_sd / std::sqrt(xx);
  }
  return fit;
}

std::optional<LineFit> FitLine(const std::vector<double>& x, const std::vector<double>& y) {
  if (!Usable(x, y) || x.size() < 2) return std::nullopt;
  const double n = static_cast<double>(x.size());
  LineFit fit;
  for (std::size_t i = 0; i < x.size(); ++i) {
    fit.mean_x += x[i] / n;
    fit.mean_y += y[i] / n;
  }
  double xx = 0.0, xy = 0.0, yy = 0.0;
  for (std::size_t i = 0; i < x.size(); ++i) {
    const double dx = x[i] - fit.mean_x, dy = y[i] - fit.mean_y;
    xx += dx * dx;
    xy += dx * dy;
    yy += dy * dy;
  }
  if (!(xx > 0.0)) return std::nullopt;
  fit.slope = xy / xx;
  fit.intercept = fit.mean_y - fit.slope * fit.mean_x;
  for (std::size_t i = 0; i < x.size(); ++i) {
    const double residual = (y[i] - fit.mean_y) - fit.slope * (x[i] - fit.mean_x);
    fit.residual_ss += residual * residual;
  }
  fit.dof = static_cast<int>(x.size()) - 2;
  fit.r_squared = yy > 0.0 ? 1.0 - fit.residual_ss / yy : 0.0;
  if (fit.dof > 0) {
    fit.residual_sd = std::sqrt(fit.residual_ss / fit.dof);
    fit.sd_slope = *fit.residual_sd / std::sqrt(xx);
    fit.sd_intercept = *fit.residual_sd * std::sqrt(1.0 / n + fit.mean_x * fit.mean_x / xx);
    fit.covariance = -fit.mean_x * *fit.sd_slope * *fit.sd_slope;
  }
  return fit;
}

}  // namespace conebook::calib
