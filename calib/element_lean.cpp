#include "calib/element_lean.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <numbers>
#include <vector>

#include <Eigen/Dense>

namespace conebook::calib {
namespace {

constexpr double kDegrees = 180.0 / std::numbers::pi;

double Turned(double deg) {
  const double turned = std::fmod(deg, 360.0);
  return turned < 0.0 ? turned + 360.0 : turned;
}

// The widest stretch of the circle without a view.
double WidestGapDeg(std::span<const LeanView> views) {
  std::vector<double> at;
  for (const LeanView& view : views) at.push_back(Turned(view.rotation_deg));
  std::sort(at.begin(), at.end());
  double widest = at.front() + 360.0 - at.back();
  for (std::size_t i = 1; i < at.size(); ++i) widest = std::max(widest, at[i] - at[i - 1]);
  return widest;
}

std::size_t DistinctRotations(std::span<const LeanView> views) {
  constexpr double kSameDeg = 2.0;
  std::vector<double> seen;
  for (const LeanView& view : views) {
    const auto same = [&](double other) {
      const double apart = Turned(view.rotation_deg - other);
      return std::min(apart, 360.0 - apart) < kSameDeg;
    };
    if (std::none_of(seen.begin(), seen.end(), same)) seen.push_back(view.rotation_deg);
  }
  return seen.size();
}

}  // namespace

ElementLeanResult FitElementLean(std::span<const LeanView> views) {
  ElementLeanResult result;
  if (views.empty() || DistinctRotations(views) < 3) {
    result.none.reason =
        "fewer than three rotations: what the holder adds cannot be told from the element's lean";
    return result;
  }
  constexpr double kMostGapDeg = 300.0;
  if (WidestGapDeg(views) > kMostGapDeg) {
    result.none.reason = "all rotations lie within 60 deg of each other; 0, 120 and 240 deg tell most";
    return result;
  }
  const auto n = static_cast<Eigen::Index>(views.size());
  Eigen::Vector3d x = Eigen::Vector3d::Zero();  // holder, size cos(direction), size sin(direction)
  Eigen::Matrix3d covariance = Eigen::Matrix3d::Identity();
  double misfit = 0.0;
  double size = 0.0;
  // The error of a rotation counts by the lean itself: once more with the lean known.
  for (int pass = 0; pass < 3; ++pass) {
    Eigen::MatrixXd a(n, 3);
    Eigen::VectorXd y(n);
    for (Eigen::Index i = 0; i < n; ++i) {
      const LeanView& view = views[static_cast<std::size_t>(i)];
      const double turn = view.rotation_deg / kDegrees;
      const double u = std::max(1e-6, std::hypot(view.u_lean_deg, size * view.u_rotation_deg / kDegrees));
      a.row(i) << 1.0 / u, -std::sin(turn) / u, -std::cos(turn) / u;
      y(i) = view.lean_deg / u;
    }
    covariance = (a.transpose() * a).inverse();
    x = covariance * (a.transpose() * y);
    misfit = (y - a * x).squaredNorm();
    size = std::hypot(x(1), x(2));
  }
  const auto dof = static_cast<double>(n - 3);
  // Views that disagree by more than their u widen it.
  if (dof > 0.0 && misfit > dof) covariance *= misfit / dof;
  const double c = size > 0.0 ? x(1) / size : 1.0;
  const double s = size > 0.0 ? x(2) / size : 0.0;
  const auto along = [&](double p, double q) {
    return std::sqrt(
        std::max(0.0, p * p * covariance(1, 1) + 2.0 * p * q * covariance(1, 2) + q * q * covariance(2, 2)));
  };
  ElementLean lean;
  lean.size_deg = Combine(size, {{"views", along(c, s), Shared::kClip}});
  lean.holder_deg = Combine(x(0), {{"views", std::sqrt(covariance(0, 0)), Shared::kClip}});
  lean.direction_deg = Turned(std::atan2(x(2), x(1)) * kDegrees);
  const double across = along(-s, c);
  lean.u_direction_deg = size > across ? std::asin(across / size) * kDegrees : 180.0;
  result.lean = lean;
  return result;
}

double AzimuthOfSideDeg(double rotation_deg, bool right) {
  return Turned((right ? 270.0 : 90.0) - rotation_deg);
}

}  // namespace conebook::calib
