#include "vision/straightness.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <vector>

#include <Eigen/Dense>

#include "vision/hyperboloid.h"
#include "vision/statistics.h"

namespace conebook::vision {
namespace {

constexpr double kDegPerRad = 180.0 / std::numbers::pi;

struct Curve {
  Eigen::Vector3d part;  // constant, linear, square
  double near_mm = 0.0, span_mm = 1.0, r0_mm = 0.0, slope = 0.0;

  double T(double z_mm) const { return (z_mm - near_mm) / span_mm; }
  double Hyperbola(double z_mm) const { return OverAsymptote(r0_mm, slope, z_mm); }
  double Bend() const { return 2.0 * part[2] / span_mm; }  // change of slope from end to end
  double Out(double z_mm) const {
    const double t = T(z_mm);
    return part[0] + part[1] * t + part[2] * t * t + Hyperbola(z_mm);
  }
};

struct FittedCurve {
  Curve curve;
  std::vector<double> residual;
  std::vector<char> kept;  // not far off
};

// Robust against rows far off: it starts from those about the robust line, and each pass leaves out what lies
// beyond three spreads.
FittedCurve FitCurve(std::span<const SidePoint> points, double exit_radius_mm, double floor_mm) {
  constexpr double kFarOffLine = 6.0, kFarOff = 3.0;  // spreads; about the line a bend is no scatter
  FittedCurve fitted;
  Curve& curve = fitted.curve;
  curve.near_mm = points.front().z_mm;
  curve.span_mm = std::max(1e-9, points.back().z_mm - points.front().z_mm);
  curve.r0_mm = exit_radius_mm;
  std::vector<double> z;
  std::vector<double> out;
  for (const SidePoint& p : points) {
    z.push_back(p.z_mm);
    out.push_back(p.out_mm);
  }
  const auto keep = [&](double spreads) {
    const double most = std::max({1e-9, floor_mm, spreads * RobustSpread(fitted.residual)});
    for (std::size_t i = 0; i < points.size(); ++i) fitted.kept[i] = std::abs(fitted.residual[i]) <= most;
  };
  fitted.kept.assign(points.size(), 1);
  fitted.residual.assign(points.size(), 0.0);
  if (const std::optional<Line> line = FitRobustLine(z, out, RobustLineOptions{})) {
    curve.slope = line->slope;
    for (std::size_t i = 0; i < points.size(); ++i) fitted.residual[i] = out[i] - line->Y(z[i]);
    keep(kFarOffLine);
  }
  for (int pass = 0; pass < 4; ++pass) {
    Eigen::Matrix3d normal = Eigen::Matrix3d::Zero();
    Eigen::Vector3d right = Eigen::Vector3d::Zero();
    for (std::size_t i = 0; i < points.size(); ++i) {
      if (!fitted.kept[i]) continue;
      const double t = curve.T(z[i]);
      const Eigen::Vector3d row(1.0, t, t * t);
      normal += row * row.transpose();
      right += row * (out[i] - curve.Hyperbola(z[i]));
    }
    curve.part = normal.ldlt().solve(right);
    for (std::size_t i = 0; i < points.size(); ++i) fitted.residual[i] = out[i] - curve.Out(z[i]);
    keep(kFarOff);
  }
  return fitted;
}

// The side's length in blocks: the kept rows' median residual in each, and the residuals about it. A block
// without rows has none.
struct Blocks {
  std::vector<std::optional<double>> median;
  std::vector<double> within;
};

Blocks InBlocks(std::span<const SidePoint> points, const FittedCurve& fitted, std::size_t blocks,
                double near_mm, double span_mm) {
  std::vector<std::vector<double>> values(blocks);
  for (std::size_t i = 0; i < points.size(); ++i) {
    if (!fitted.kept[i]) continue;
    const double at = (points[i].z_mm - near_mm) / span_mm * static_cast<double>(blocks);
    values[static_cast<std::size_t>(std::clamp(at, 0.0, static_cast<double>(blocks) - 1.0))].push_back(
        fitted.residual[i]);
  }
  Blocks result;
  for (std::vector<double>& block : values) {
    if (block.empty()) {
      result.median.emplace_back(std::nullopt);
      continue;
    }
    const double middle = MedianInPlace(block);
    result.median.emplace_back(middle);
    for (const double v : block) result.within.push_back(v - middle);
  }
  return result;
}

struct ScatterOfParts {
  double block_mm = 0.0;  // quadratic mean over the blocks of the standard error
  double bend = 0.0;      // standard error of the change of slope from end to end
};

ScatterOfParts ScatterFromPartToPart(std::span<const std::vector<SidePoint>> parts, double exit_radius_mm,
                                     double near_mm, double span_mm, const StraightnessOptions& options) {
  const auto blocks = static_cast<std::size_t>(options.blocks);
  std::vector<std::vector<double>> of_block(blocks);
  std::vector<double> bends;
  for (const std::vector<SidePoint>& part : parts) {
    if (part.size() < 2 * blocks) continue;
    const FittedCurve fitted = FitCurve(part, exit_radius_mm, options.floor_mm);
    const Blocks own = InBlocks(part, fitted, blocks, near_mm, span_mm);
    for (std::size_t b = 0; b < blocks; ++b)
      if (own.median[b]) of_block[b].push_back(*own.median[b]);
    bends.push_back(fitted.curve.Bend());
  }
  double squares = 0.0;
  double used = 0.0;
  for (const std::vector<double>& values : of_block) {
    const auto u = UncertaintyOfMean(values);
    if (!u) continue;
    squares += *u * *u;
    used += 1.0;
  }
  return {used > 0.0 ? std::sqrt(squares / used) : 0.0, UncertaintyOfMean(bends).value_or(0.0)};
}

}  // namespace

std::optional<SideShape> ShapeOfSide(std::span<const SidePoint> points,
                                     std::span<const std::vector<SidePoint>> parts, double exit_radius_mm,
                                     const StraightnessOptions& options) {
  const auto blocks = static_cast<std::size_t>(options.blocks);
  if (points.size() < blocks * static_cast<std::size_t>(options.least_rows_a_block)) return std::nullopt;
  const FittedCurve fitted = FitCurve(points, exit_radius_mm, options.floor_mm);
  const Curve& curve = fitted.curve;
  const Blocks of_rows = InBlocks(points, fitted, blocks, curve.near_mm, curve.span_mm);
  std::vector<double> means;
  for (const auto& median : of_rows.median) means.push_back(median.value_or(0.0));
  const double independent = EffectiveSampleSize(of_rows.within) / static_cast<double>(blocks);
  const ScatterOfParts scatter =
      ScatterFromPartToPart(parts, exit_radius_mm, curve.near_mm, curve.span_mm, options);
  const double error =
      std::max(1.25 * RobustSpread(of_rows.within) / std::sqrt(std::max(1.0, independent)), scatter.block_mm);

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
  shape.off = static_cast<double>(std::count(fitted.kept.begin(), fitted.kept.end(), 0)) /
              static_cast<double>(points.size());
  shape.bend_deg = per_slope * curve.Bend();
  shape.u_bend_deg = per_slope * scatter.bend;
  return shape;
}

}  // namespace conebook::vision
