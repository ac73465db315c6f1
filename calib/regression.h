// Ordinary least squares with the standard deviations of its coefficients: a line through the origin, and a
// straight line. Formulas: NIST/SEMATECH e-Handbook 4.4.3; centred sums, so that constant leading digits cost
// no precision.
#pragma once

#include <optional>
#include <vector>

namespace conebook::calib {

struct OriginFit {  // y = slope x
  double slope = 0.0;
  double residual_ss = 0.0;
  int dof = 0;                        // points - 1
  std::optional<double> residual_sd;  // needs two points
  std::optional<double> sd_slope;
  double r_squared_about_zero = 0.0;  // uses the sum of y^2, not of (y - mean)^2
};

struct LineFit {  // y = intercept + slope x
  double intercept = 0.0, slope = 0.0;
  double mean_x = 0.0, mean_y = 0.0;
  double residual_ss = 0.0;
  int dof = 0;                        // points - 2
  std::optional<double> residual_sd;  // needs three points
  std::optional<double> sd_intercept, sd_slope, covariance;
  double r_squared = 0.0;
};

// Nothing where no line is determined: no points, every x zero (origin) or every x equal (line), or a number
// that is not finite. x and y of different length: std::logic_error.
std::optional<OriginFit> FitThroughOrigin(const std::vector<double>& x, const std::vector<double>& y);
std::optional<LineFit> FitLine(const std::vector<double>& x, const std::vector<double>& y);

}  // namespace conebook::calib
