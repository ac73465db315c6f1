#include "calib/curve_fit.h"

#include <algorithm>
#include <cmath>

#include <Eigen/Dense>
#include <boost/math/distributions/fisher_f.hpp>

namespace conebook::calib {
namespace {

double Power(double x, int power) {
  double result = 1.0;
  for (int i = 0; i < power; ++i) result *= x;
  return result;
}

Eigen::VectorXd Basis(const std::vector<int>& powers, double x) {
  Eigen::VectorXd basis(static_cast<Eigen::Index>(powers.size()));
  for (Eigen::Index j = 0; j < basis.size(); ++j) basis[j] = Power(x, powers[static_cast<std::size_t>(j)]);
  return basis;
}

Eigen::VectorXd BasisSlope(const std::vector<int>& powers, double x) {
  Eigen::VectorXd slope(static_cast<Eigen::Index>(powers.size()));
  for (Eigen::Index j = 0; j < slope.size(); ++j) {
    const int power = powers[static_cast<std::size_t>(j)];
    slope[j] = power == 0 ? 0.0 : power * Power(x, power - 1);
  }
  return slope;
}

struct Problem {
  const std::vector<FitPoint>& points;
  const std::vector<int>& powers;
  bool unweighted = false;

  // Residuals over their standard deviation, and what the coefficients do to them.
  double Evaluate(const Eigen::VectorXd& beta, Eigen::VectorXd& residuals, Eigen::MatrixXd& jacobian) const {
    const auto n = static_cast<Eigen::Index>(points.size());
    residuals.resize(n);
    jacobian.resize(n, beta.size());
    for (Eigen::Index i = 0; i < n; ++i) {
      const FitPoint& point = points[static_cast<std::size_t>(i)];
      const Eigen::VectorXd basis = Basis(powers, point.x), slopes = BasisSlope(powers, point.x);
      const double u_y = unweighted ? 1.0 : point.u_y;
      const double slope = slopes.dot(beta), off = point.y - basis.dot(beta);
      const double sd = std::hypot(u_y, slope * point.u_x);
      residuals[i] = off / sd;
      jacobian.row(i) = -(basis + off * point.u_x * point.u_x * slope / (sd * sd) * slopes).transpose() / sd;
    }
    return residuals.squaredNorm();
  }
};

bool Usable(const std::vector<FitPoint>& points, bool& unweighted) {
  bool all_zero = true, all_above = true;
  for (const FitPoint& p : points) {
    if (!std::isfinite(p.x) || !std::isfinite(p.y) || !std::isfinite(p.u_x) || !std::isfinite(p.u_y))
      return false;
    if (p.u_x < 0.0 || p.u_y < 0.0) return false;
    all_zero = all_zero && p.u_x == 0.0 && p.u_y == 0.0;
    all_above = all_above && p.u_y > 0.0;
  }
  unweighted = all_zero;
  return all_zero || all_above;
}

}  // namespace

double CurveFit::At(double x) const {
  return Basis(powers, x).dot(coefficients);
}

double CurveFit::UAt(double x) const {
  const Eigen::VectorXd basis = Basis(powers, x);
  return std::sqrt(std::max(0.0, basis.dot(covariance * basis)));
}

double CurveFit::SlopeAt(double x) const {
  return BasisSlope(powers, x).dot(coefficients);
}

std::optional<CurveFit> FitCurve(const std::vector<FitPoint>& points, const std::vector<int>& powers) {
  CurveFit fit;
  fit.powers = powers;
  fit.dof = static_cast<int>(points.size()) - static_cast<int>(powers.size());
  bool unweighted = false;
  if (powers.empty() || fit.dof < 1 || !Usable(points, unweighted)) return std::nullopt;
  const Problem problem{points, powers, unweighted};

  // From no slope on, the first step is the fit weighted by u_y alone.
  Eigen::VectorXd beta = Eigen::VectorXd::Zero(static_cast<Eigen::Index>(powers.size())), residuals, trial;
  Eigen::MatrixXd jacobian;
  double sum = problem.Evaluate(beta, residuals, jacobian);
  constexpr int kMostSteps = 200;
  for (int step = 0; step < kMostSteps; ++step) {
    const Eigen::ColPivHouseholderQR<Eigen::MatrixXd> solver(jacobian);
    if (solver.rank() < beta.size()) return std::nullopt;
    Eigen::VectorXd change = solver.solve(-residuals);
    const double before = sum;
    Eigen::VectorXd next_residuals;
    Eigen::MatrixXd next_jacobian;
    // The first step may raise the sum: it takes up the slope's share of the errors. Later ones are halved
    // until they do not.
    for (int halving = 0;; ++halving) {
      trial = beta + change;
      sum = problem.Evaluate(trial, next_residuals, next_jacobian);
      if (step == 0 || sum <= before || halving == 30) break;
      change /= 2.0;
    }
    const bool settled = change.norm() <= 1e-14 * (trial.norm() + 1e-300);
    if (step > 0 && sum > before) {
      sum = before;
      break;
    }
    beta = trial;
    residuals = next_residuals;
    jacobian = next_jacobian;
    if (step > 0 && settled) break;
  }
  const Eigen::MatrixXd normal = jacobian.transpose() * jacobian;
  const Eigen::FullPivLU<Eigen::MatrixXd> inverse(normal);
  if (!inverse.isInvertible()) return std::nullopt;
  fit.coefficients = beta;
  fit.chi_squared = sum;
  const double per_dof = sum / fit.dof;
  fit.covariance = inverse.inverse() * (unweighted ? per_dof : std::max(1.0, per_dof));
  return fit;
}

double ChanceOfTerm(const CurveFit& smaller, const CurveFit& larger) {
  if (larger.dof < 1 || larger.dof >= smaller.dof) return 1.0;
  const double gained = std::max(0.0, smaller.chi_squared - larger.chi_squared);
  if (!(gained > 0.0)) return 1.0;
  if (!(larger.chi_squared > 0.0)) return 0.0;
  const double added = smaller.dof - larger.dof;
  const double ratio = gained / added / (larger.chi_squared / larger.dof);
  const boost::math::fisher_f_distribution<double> distribution(added, larger.dof);
  return boost::math::cdf(boost::math::complement(distribution, ratio));
}

}  // namespace conebook::calib
