#include "src/hysteresis.h"

#include <algorithm>
#include <cmath>
#include <string>

#include <fmt/core.h>

namespace conebook::src {
namespace {

using calib::Contribution;
using calib::Severity;
using calib::Shared;

constexpr double kSameShare = 0.02;    // pressures closer than this are one level
constexpr double kClosedShare = 0.80;  // below this share of the lower level, the valve was shut in between
constexpr double kBeyondShare = 0.03;  // a falling point this far outside the rising ones still counts
constexpr double kRepeatability = 0.001;  // of flow area, from one point to the next: common practice

Direction Towards(double from_bar, double to_bar) {
  if (std::abs(to_bar - from_bar) <= kSameShare * std::max(from_bar, to_bar)) return Direction::kUnknown;
  return to_bar > from_bar ? Direction::kRising : Direction::kFalling;
}

// A point as the comparison needs it.
struct Reading {
  double bar = 0.0, area_mm2 = 0.0;
  double u_own_share = 0.0;  // of the area, not shared with other points
};

std::vector<Reading> Branch(const std::vector<Point>& points, Direction direction) {
  std::vector<Reading> branch;
  for (const Point& point : points) {
    if (point.direction != direction || !point.pressure_bar || !point.flow_area_mm2) continue;
    Reading reading{point.pressure_bar->value, point.flow_area_mm2->value, 0.0};
    for (const Contribution& part : point.flow_area_mm2->budget) {
      if (part.shared == Shared::kFrames)
        reading.u_own_share = std::hypot(reading.u_own_share, part.u / reading.area_mm2);
    }
    branch.push_back(reading);
  }
  std::stable_sort(branch.begin(), branch.end(),
                   [](const Reading& a, const Reading& b) { return a.bar < b.bar; });
  return branch;
}

// Weights of the rising points at a pressure: the two about it, or the outermost one just beside it.
std::vector<double> WeightsAt(const std::vector<Reading>& rising, double bar) {
  std::vector<double> weights(rising.size(), 0.0);
  if (rising.empty()) return {};
  const double lowest = rising.front().bar, highest = rising.back().bar;
  if (bar < lowest * (1.0 - kBeyondShare) || bar > highest * (1.0 + kBeyondShare)) return {};
  std::size_t above = 0;
  while (above < rising.size() && rising[above].bar < bar) ++above;
  if (above == 0 || above == rising.size()) {
    weights[above == 0 ? 0 : above - 1] = 1.0;
    return weights;
  }
  const double share = (bar - rising[above - 1].bar) / (rising[above].bar - rising[above - 1].bar);
  weights[above - 1] = 1.0 - share;
  weights[above] = share;
  return weights;
}

void Say(std::vector<calib::Flag>& flags, const char* code, Severity severity, std::string message,
         const char* advice) {
  flags.push_back({code, severity, std::nullopt, std::string("flow_hysteresis"), std::move(message), advice});
}

}  // namespace

std::vector<Direction> DirectionsOf(const std::vector<double>& gauge_bar,
                                    const std::vector<SteadyStretch>& stretches) {
  std::vector<Direction> directions;
  for (std::size_t k = 0; k < stretches.size(); ++k) {
    const SteadyStretch& at = stretches[k];
    const std::size_t from = k == 0 ? 0 : stretches[k - 1].last + 1;
    if (from >= at.first) {
      directions.push_back(k == 0 ? Direction::kUnknown : Towards(stretches[k - 1].mean_bar, at.mean_bar));
      continue;
    }
    const auto begin = gauge_bar.begin();
    const double lowest = *std::min_element(begin + static_cast<std::ptrdiff_t>(from),
                                            begin + static_cast<std::ptrdiff_t>(at.first));
    const double lower_level = k == 0 ? at.mean_bar : std::min(at.mean_bar, stretches[k - 1].mean_bar);
    if (lowest < kClosedShare * lower_level) {
      directions.push_back(Direction::kRising);
    } else {
      directions.push_back(Towards(k == 0 ? gauge_bar[from] : stretches[k - 1].mean_bar, at.mean_bar));
    }
  }
  return directions;
}

std::vector<Direction> DirectionsOf(const std::vector<double>& readings_bar) {
  std::vector<Direction> directions;
  for (std::size_t k = 0; k < readings_bar.size(); ++k)
    directions.push_back(k == 0 ? Direction::kUnknown : Towards(readings_bar[k - 1], readings_bar[k]));
  return directions;
}

std::optional<FlowHysteresis> HysteresisOf(const Rig& rig, const std::vector<Point>& points,
                                           std::vector<calib::Flag>& flags) {
  const bool any_area =
      std::any_of(points.begin(), points.end(), [](const Point& point) { return point.flow_area_mm2; });
  if (!any_area) return std::nullopt;  // which has its own reason
  const std::vector<Reading> rising = Branch(points, Direction::kRising);
  const std::vector<Reading> falling = Branch(points, Direction::kFalling);
  std::vector<double> differences, rising_weight(rising.size(), 0.0);
  double own_squares = 0.0, per_bar = 0.0;
  for (const Reading& down : falling) {
    const std::vector<double> weights = WeightsAt(rising, down.bar);
    if (weights.empty()) continue;
    double up_mm2 = 0.0;
    for (std::size_t j = 0; j < rising.size(); ++j) up_mm2 += weights[j] * rising[j].area_mm2;
    differences.push_back(down.area_mm2 / up_mm2 - 1.0);
    for (std::size_t j = 0; j < rising.size(); ++j) rising_weight[j] += weights[j];
    own_squares += down.u_own_share * down.u_own_share + kRepeatability * kRepeatability;
    per_bar += 1.0 / down.bar;
  }
  if (differences.empty()) {
    Say(flags, "hysteresis_needs_both", Severity::kInfo,
        "no pressure was held both rising and falling: whether the flow area depends on the way there is not "
        "known",
        "go up through the pressures and down again");
    return std::nullopt;
  }
  const double n = static_cast<double>(differences.size());
  for (std::size_t j = 0; j < rising.size(); ++j) {
    const double u = std::hypot(rising[j].u_own_share, kRepeatability) * rising_weight[j];
    own_squares += u * u;
  }
  double mean = 0.0, squares = 0.0;
  for (const double difference : differences) mean += difference / n;
  for (const double difference : differences) squares += (difference - mean) * (difference - mean);
  const double expected = std::sqrt(own_squares) / n;
  const double seen = differences.size() > 1 ? std::sqrt(squares / (n - 1.0) / n) : 0.0;
  std::vector<Contribution> budget;
  if (seen > expected)
    budget.push_back({"scatter of the pairs", 100.0 * seen, Shared::kClip, n - 1.0});
  else
    budget.push_back({"scatter and repeatability (assumed 0.1 %)", 100.0 * expected, Shared::kFrames});
  if (rig.pressure_calibration) {
    // Half of a pressure's share comes into the area; the sensor reads another way rising than falling.
    budget.push_back(
        {"hysteresis of the sensor",
         100.0 * 0.5 * std::sqrt(2.0) * rig.pressure_calibration->sensor.u_reading_bar * per_bar / n,
         Shared::kMeter});
  }
  FlowHysteresis result{calib::Combine(100.0 * mean, std::move(budget)),
                        static_cast<int>(differences.size())};
  const calib::Interval interval = calib::Interval95(result.flow_area_percent);
  if (interval.lo > 0.0 || interval.hi < 0.0) {
    Say(flags, "flow_hysteresis", Severity::kWarn,
        fmt::format("at the same pressure the flow area is {:.2f} % {} falling than rising (u {:.2f} %)",
                    100.0 * std::abs(mean), mean > 0.0 ? "larger" : "smaller", result.flow_area_percent.u),
        "look for a meter or sensor that lags, a temperature that drifts, air in the line, and deposits in "
        "the element; then repeat up and down");
  }
  return result;
}

}  // namespace conebook::src
