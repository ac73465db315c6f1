#include "calib/pressure_sensor.h"

#include <algorithm>
#include <cmath>

#include "calib/curve_fit.h"

namespace conebook::calib {
namespace {

constexpr double kSameLevel = 0.01;           // of the range
constexpr double kRangeEdge = 0.02;           // of the range: a little beyond its ends is no departure
constexpr double kUBeyondRangeShare = 0.005;  // as of a sensor that nobody calibrated

// Falling less rising, at the level where it is largest. The turning point belongs to neither way.
std::optional<double> HysteresisBar(const std::vector<SensorReading>& readings,
                                    const std::vector<double>& residual_bar) {
  double lowest = readings.front().true_bar, highest = lowest;
  for (const SensorReading& one : readings) {
    lowest = std::min(lowest, one.true_bar);
    highest = std::max(highest, one.true_bar);
  }
  const double same_bar = kSameLevel * (highest - lowest);
  enum class Way { kNone, kRising, kFalling };
  std::vector<Way> ways(readings.size(), Way::kNone);
  for (std::size_t i = 0; i < readings.size(); ++i) {
    if (highest - readings[i].true_bar <= same_bar) continue;
    const std::size_t a = i == 0 ? 0 : i - 1, b = i == 0 ? 1 : i;
    const double step = readings[b].true_bar - readings[a].true_bar;
    if (step > same_bar) ways[i] = Way::kRising;
    if (step < -same_bar) ways[i] = Way::kFalling;
    if (std::abs(step) <= same_bar && i > 0) ways[i] = ways[i - 1];
  }
  std::optional<double> largest;
  for (std::size_t i = 0; i < readings.size(); ++i) {
    double sum[2] = {0.0, 0.0}, count[2] = {0.0, 0.0};
    for (std::size_t j = 0; j < readings.size(); ++j) {
      if (ways[j] == Way::kNone || std::abs(readings[j].true_bar - readings[i].true_bar) > same_bar) continue;
      const int way = ways[j] == Way::kFalling ? 1 : 0;
      sum[way] += residual_bar[j];
      count[way] += 1.0;
    }
    if (count[0] == 0.0 || count[1] == 0.0) continue;
    const double here = sum[1] / count[1] - sum[0] / count[0];
    if (!largest || std::abs(here) > std::abs(*largest)) largest = here;
  }
  return largest;
}

}  // namespace

std::optional<PressureSensorFit> FitPressureSensor(const std::vector<SensorReading>& readings,
                                                   double u_reference_share) {
  std::vector<FitPoint> points;
  for (const SensorReading& one : readings)
    points.push_back({one.true_bar, one.read_bar, one.u_true_bar, one.u_read_bar});
  const auto line = FitCurve(points, {0, 1});
  if (!line || !(line->coefficients[1] > 0.0)) return std::nullopt;
  PressureSensorFit fit;
  PressureSensor& sensor = fit.sensor;
  sensor.zero_bar = line->coefficients[0];
  sensor.span = line->coefficients[1];
  sensor.u_zero_bar = std::sqrt(line->covariance(0, 0));
  sensor.u_span = std::sqrt(line->covariance(1, 1));
  sensor.covariance_bar = line->covariance(0, 1);
  sensor.dof = line->dof;
  sensor.u_reference_share = u_reference_share;
  sensor.lowest_bar = sensor.highest_bar = readings.front().read_bar;
  double squares = 0.0, explained = 0.0;
  for (const SensorReading& one : readings) {
    sensor.lowest_bar = std::min(sensor.lowest_bar, one.read_bar);
    sensor.highest_bar = std::max(sensor.highest_bar, one.read_bar);
    fit.residual_bar.push_back(one.read_bar - line->At(one.true_bar));
    squares += fit.residual_bar.back() * fit.residual_bar.back();
    const double own_bar = std::hypot(one.u_read_bar, sensor.span * one.u_true_bar);
    explained += own_bar * own_bar / static_cast<double>(readings.size());
    fit.linearity_bar = std::max(fit.linearity_bar, std::abs(fit.residual_bar.back()));
  }
  fit.hysteresis_bar = HysteresisBar(readings, fit.residual_bar);
  sensor.u_reading_bar = std::sqrt(std::max(0.0, squares / line->dof - explained));
  return fit;
}

CorrectedPressure Corrected(const PressureSensor& sensor, double read_bar) {
  CorrectedPressure result;
  result.bar = (read_bar - sensor.zero_bar) / sensor.span;
  result.dof = sensor.dof;
  const double line_variance = sensor.u_zero_bar * sensor.u_zero_bar +
                               2.0 * result.bar * sensor.covariance_bar +
                               result.bar * result.bar * sensor.u_span * sensor.u_span;
  const double line_bar = std::sqrt(std::max(0.0, line_variance)) / sensor.span;
  result.u_bar = std::hypot(line_bar, sensor.u_reading_bar / sensor.span,
                            sensor.u_reference_share * std::abs(result.bar));
  const double beyond_bar = std::max({0.0, read_bar - sensor.highest_bar, sensor.lowest_bar - read_bar});
  result.in_range = beyond_bar <= kRangeEdge * (sensor.highest_bar - sensor.lowest_bar);
  if (!result.in_range) result.u_bar = std::hypot(result.u_bar, kUBeyondRangeShare * beyond_bar);
  return result;
}

}  // namespace conebook::calib
