// A curve through points whose x and y are both in error: y = sum of coefficient * x^power. Powers {1}: a
// line through the origin; {0, 1}: a straight line; {0, 1, 2}: a parabola. Minimised: sum of (y - f(x))^2 /
// (u_y^2 + (f'(x) u_x)^2). For straight lines that is exact, and covariance is that at the adjusted points:
// York, Evensen, Martinez, De Basabe (2004), Am. J. Phys. 72(3):367-375. For parabolas it is first order in
// u_x. Errors of different points are taken to be independent: what all points share (a scale, a reference)
// is for the caller to add.
#pragma once

#include <optional>
#include <vector>

#include <Eigen/Core>

namespace conebook::calib {

struct FitPoint {
  double x = 0.0, y = 0.0;
  double u_x = 0.0, u_y = 0.0;  // standard uncertainties, of this point alone
};

struct CurveFit {
  std::vector<int> powers;
  Eigen::VectorXd coefficients;  // one a power
  // From the points' u; widened by chi_squared / dof where the points scatter more than their u lets expect.
  // All u zero: from the scatter alone.
  Eigen::MatrixXd covariance;
  double chi_squared = 0.0;  // the sum that was minimised; all u zero: the sum of squared residuals
  int dof = 0;               // points - coefficients

  double At(double x) const;
  double UAt(double x) const;      // of At, with the coefficients' correlation
  double SlopeAt(double x) const;  // dy/dx
};

// Nothing where the points do not determine the curve with one to spare: too few, too few different x, or a
// number that is not finite. u_y must be above zero at every point, or all u zero: else nothing.
std::optional<CurveFit> FitCurve(const std::vector<FitPoint>& points, const std::vector<int>& powers);

// Chance that a term that is not there would lessen the scatter as much as the added term of `larger` does (F
// test of the two sums); 1 where `larger` has none to spare.
double ChanceOfTerm(const CurveFit& smaller, const CurveFit& larger);

}  // namespace conebook::calib
