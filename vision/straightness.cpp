#include "vision/straightness.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <vector>

#include <Eigen/Dense>

#include "vision/statistics.h"

namespace conebook::vision {
namespace {

constexpr double kDegPerRad = 180.0 / std::numbers::pi;

struct Curve {
  Eigen::Vector3d part;  // constant, linear, square
  double near_mm = 0.0, span_mm = 1.0, r0_mm = 0.0, slope = 0.0;

  double T(double z_mm) const { return (z_mm - near_mm) / span_mm; }
  // What the hyperbola adds to its asymptote.
  double Hyperbola(double z_mm) const { return std::hypot(r0_mm, slope * z_mm) - std::abs(slope) * z_mm; }
  double Out(double z_mm) const {
    const double t = T(z_mm);
    return part[0] + part[1] * t + part[2] * t * t + Hyperbola(z_mm);
  }
};

// Robust against the odd row: each pass weighs rows down that lie beyond three spreads.
Curve FitCurve(std::span<const SidePoint> points, double exit_radius_mm) {
  Curve curve;
  curve.near_mm = points.front().z_mm;
  curve.span_mm = std::max(1e-9, points.back().z_mm - points.front().z_mm);
  curve.r0_mm = exit_radius_mm;
  std::vector<double> z;
  std::vector<double> out;
  for (const SidePoint& p : points) {
    z.push_back(p.z_mm);
    out.push_back(p.out_mm);
  }
  if (const std::optional<Line> line = FitRobustLine(z, out, RobustLineOptions{})) curve.slope = line->slope;
  double cut = 1e9;
  for (int pass = 0; pass < 4; ++pass) {
    Eigen::Matrix3d normal = Eigen::Matrix3d::Zero();
    Eigen::Vector3d right = Eigen::Vector3d::Zero();
    for (const SidePoint& p : points) {
      const double residual = pass == 0 ? 0.0 : p.out_mm - curve.Out(p.z_mm);
      if (std::abs(residual) > cut) continue;
      const double t = curve.T(p.z_mm);
      const Eigen::Vector3d row(1.0, t, t * t);
      normal += row * row.transpose();
      right += row * (p.out_mm - curve.Hyperbola(p.z_mm));
    }
    curve.part = normal.ldlt().solve(right);
    std::vector<double> residuals;
    for (const SidePoint& p : points) residuals.push_back(p.out_mm - curve.Out(p.z_mm));
    cut = std::max(1e-9, 3.0 * RobustSpread(residuals));
  }
  return curve;
}

}  // namespace

std::optional<SideShape> ShapeOfSide(std::span<const SidePoint> points, double exit_radius_mm,
                                     const StraightnessOptions& options) {
  const auto blocks = static_cast<std::size_t>(options.blocks);
  if (points.size() < blocks * static_cast<std::size_t>(options.least_rows_a_block)) return std::nullopt;
  const Curve curve = FitCurve(points, exit_radius_mm);
  std::vector<double> residuals;
  for (const SidePoint& p : points) residuals.push_back(p.out_mm - curve.Out(p.z_mm));

  // Scatter within the blocks, about their own means, and how many rows count as one.
  std::vector<double> means;
  std::vector<double> within;
  for (std::size_t b = 0; b < blocks; ++b) {
    const std::size_t from = b * points.size() / blocks;
    const std::size_t to = (b + 1) * points.size() / blocks;
    std::vector<double> values(residuals.begin() + static_cast<std::ptrdiff_t>(from),
                               residuals.begin() + static_cast<std::ptrdiff_t>(to));
    means.push_back(MedianInPlace(values));
    for (std::size_t i = from; i < to; ++i) within.push_back(residuals[i] - means.back());
  }
  const double independent = EffectiveSampleSize(within) / static_cast<double>(blocks);
  const double error = 1.25 * RobustSpread(within) / std::sqrt(std::max(1.0, independent));

  // The odd block is an odd stretch, which the robust line leaves out: the third largest speaks for a wave.
  std::vector<double> sizes;
  for (const double mean : means) sizes.push_back(std::abs(mean));
  std::sort(sizes.begin(), sizes.end(), std::greater<>());
  const double amplitude = std::numbers::sqrt2 * sizes[std::min<std::size_t>(2, sizes.size() - 1)];

  // To and fro so many times, each turn of the line undone by the next; what the curve took off crosses once
  // more.
  int changes = 0;
  double last = 0.0;
  for (const double mean : means) {
    if (std::abs(mean) <= error) continue;
    if (mean * last < 0.0) ++changes;
    last = mean;
  }
  const double periods = std::max(1.0, 0.5 * (changes - 1));

  const double per_slope = kDegPerRad / (1.0 + curve.slope * curve.slope);
  SideShape shape;
  shape.turn_deg = per_slope * 6.0 * amplitude / (std::numbers::pi * periods * curve.span_mm);
  shape.significance = error > 0.0 ? amplitude / error : 0.0;
  shape.bend_deg = per_slope * 2.0 * curve.part[2] / curve.span_mm;
  return shape;
}

}  // namespace conebook::vision
