#include "calib/meter_curve.h"

#include <algorithm>
#include <cmath>

#include "calib/curve_fit.h"

namespace conebook::calib {
namespace {

constexpr double kSameRate = 0.05;
constexpr double kRangeEdge = 0.01;  // of the rate: noise of a rate at the range's end is no departure
constexpr double kUBeyondRangeShare = 0.01;  // as of a meter that nobody calibrated

std::vector<int> PowersUpTo(int coefficients) {
  std::vector<int> powers;
  for (int i = 0; i < coefficients; ++i) powers.push_back(i);
  return powers;
}

double Scaled(const MeterCurve& curve, double rate) {
  return rate / curve.mid_rate - 1.0;
}

CurveFit AsFit(const MeterCurve& curve) {
  CurveFit fit;
  fit.powers = PowersUpTo(static_cast<int>(curve.coefficients.size()));
  fit.coefficients = curve.coefficients;
  fit.covariance = curve.covariance;
  return fit;
}

// Runs at one rate.
struct Group {
  double lowest_rate = 0.0;
  std::vector<double> values;
  double Mean() const {
    double mean = 0.0;
    for (const double value : values) mean += value / static_cast<double>(values.size());
    return mean;
  }
};

std::vector<Group> GroupsOf(std::vector<MeterRun> runs) {
  std::stable_sort(runs.begin(), runs.end(),
                   [](const MeterRun& a, const MeterRun& b) { return a.rate < b.rate; });
  std::vector<Group> groups;
  for (const MeterRun& run : runs) {
    if (groups.empty() || run.rate > groups.back().lowest_rate * (1.0 + kSameRate))
      groups.push_back({run.rate, {}});
    groups.back().values.push_back(run.value);
  }
  return groups;
}

void Characterise(const std::vector<Group>& groups, MeterCurveFit& fit) {
  fit.rates = static_cast<int>(groups.size());
  double lowest = groups.front().Mean(), highest = lowest, squares = 0.0;
  int spare = 0;
  for (const Group& group : groups) {
    const double mean = group.Mean();
    lowest = std::min(lowest, mean);
    highest = std::max(highest, mean);
    for (const double value : group.values) squares += (value / mean - 1.0) * (value / mean - 1.0);
    spare += static_cast<int>(group.values.size()) - 1;
  }
  fit.linearity_share = (highest - lowest) / (highest + lowest);
  if (spare > 0) fit.repeatability_share = std::sqrt(squares / spare);
}

}  // namespace

std::optional<MeterCurveFit> FitMeterCurve(MeterKind kind, const std::vector<MeterRun>& runs,
                                           int coefficients, double u_common_share) {
  if (runs.empty()) return std::nullopt;
  MeterCurveFit fit;
  MeterCurve& curve = fit.curve;
  curve.kind = kind;
  curve.lowest_rate = curve.highest_rate = runs.front().rate;
  for (const MeterRun& run : runs) {
    curve.lowest_rate = std::min(curve.lowest_rate, run.rate);
    curve.highest_rate = std::max(curve.highest_rate, run.rate);
  }
  curve.mid_rate = 0.5 * (curve.lowest_rate + curve.highest_rate);
  if (!(curve.lowest_rate > 0.0)) return std::nullopt;
  const std::vector<Group> groups = GroupsOf(runs);
  if (static_cast<int>(groups.size()) < coefficients) return std::nullopt;
  std::vector<FitPoint> points;
  for (const MeterRun& run : runs)
    points.push_back({Scaled(curve, run.rate), run.value, run.u_rate / curve.mid_rate, run.u_value});
  const auto found = FitCurve(points, PowersUpTo(coefficients));
  if (!found) return std::nullopt;
  curve.coefficients = found->coefficients;
  curve.covariance = found->covariance;
  curve.dof = found->dof;
  curve.u_common_share = u_common_share;
  double squares = 0.0, explained = 0.0;
  for (const FitPoint& point : points) {
    fit.residual_share.push_back(point.y / found->At(point.x) - 1.0);
    squares += fit.residual_share.back() * fit.residual_share.back();
    const double own_share = std::hypot(point.u_y, found->SlopeAt(point.x) * point.u_x) / found->At(point.x);
    explained += own_share * own_share / static_cast<double>(points.size());
  }
  curve.u_run_share = std::sqrt(std::max(0.0, squares / found->dof - explained));
  Characterise(groups, fit);
  if (fit.rates > coefficients) {
    if (const auto larger = FitCurve(points, PowersUpTo(coefficients + 1)))
      fit.chance_of_bend = ChanceOfTerm(*found, *larger);
  }
  return fit;
}

MeterValue ValueAt(const MeterCurve& curve, double rate) {
  const CurveFit fit = AsFit(curve);
  const double held = std::clamp(rate, curve.lowest_rate, curve.highest_rate);
  MeterValue result;
  result.value = fit.At(Scaled(curve, held));
  result.dof = curve.dof;
  const double fitted = fit.UAt(Scaled(curve, held)) / result.value;
  result.u_share = std::hypot(fitted, curve.u_run_share, curve.u_common_share);
  result.in_range = std::abs(rate - held) <= kRangeEdge * held;
  if (!result.in_range) {
    const double continued = fit.At(Scaled(curve, rate)) / result.value - 1.0;
    result.u_share = std::hypot(result.u_share, kUBeyondRangeShare, continued);
  }
  return result;
}

double TrueFlow(const MeterCurve& curve, double rate) {
  const double value = ValueAt(curve, rate).value;
  return curve.kind == MeterKind::kPulses ? rate / value : rate * value;
}

}  // namespace conebook::calib
