#include "src/meter_check.h"

#include <algorithm>
#include <cmath>
#include <map>
#include <optional>

#include <fmt/core.h>

namespace conebook::src {
namespace {

using calib::Contribution;
using calib::Quantity;
using calib::Shared;

constexpr double kNearShare = 0.25;  // Cd hardly moves over so much
constexpr double kRepeatability =
    0.001;  // of flow area, from one flow to the next: common practice, no source

bool ByBucket(const Point& point) {
  if (!point.flow_kg_s) return false;
  const std::vector<Contribution>& budget = point.flow_kg_s->budget;
  return std::any_of(budget.begin(), budget.end(),
                     [](const Contribution& part) { return part.source == "stopwatch"; });
}

bool HasArea(const Point& point) {
  return point.pressure_bar && point.pressure_bar->value > 0.0 && point.flow_area_mm2;
}

// Of meter over bucket, less one, per cent. A source that both share over the day moves both alike.
Quantity Difference(const Quantity& meter, const Quantity& bucket) {
  struct Pair {
    double meter = 0.0, bucket = 0.0;
    Shared shared = Shared::kClip;
  };
  std::map<std::string, Pair> sources;
  for (const Contribution& part : meter.budget) {
    Pair& pair = sources[part.source];
    pair.meter = std::hypot(pair.meter, part.u / meter.value);
    pair.shared = part.shared;
  }
  for (const Contribution& part : bucket.budget) {
    Pair& pair = sources[part.source];
    pair.bucket = std::hypot(pair.bucket, part.u / bucket.value);
    pair.shared = part.shared;
  }
  std::vector<Contribution> budget{
      {"repeatability (assumed 0.1 %)", 100.0 * std::sqrt(2.0) * kRepeatability, Shared::kClip}};
  for (const auto& [source, pair] : sources) {
    const bool own = pair.shared == Shared::kFrames || pair.shared == Shared::kClip;
    const double u = own ? std::hypot(pair.meter, pair.bucket) : std::abs(pair.meter - pair.bucket);
    if (u > 1e-9) budget.push_back({source, 100.0 * u, pair.shared});
  }
  return calib::Combine(100.0 * (meter.value / bucket.value - 1.0), std::move(budget));
}

void Flag(MeterCheck& check) {
  if (std::abs(check.e_n) <= 1.0) return;
  check.flags.push_back(
      {"meter_off_bucket", calib::Severity::kWarn, std::nullopt, std::string("flow_kg_s"),
       fmt::format(
           "element {}: the meter reads {:.2f} % {} than the bucket, E_n {:.1f}: more than both claim",
           check.element, std::abs(check.difference_percent.value),
           check.difference_percent.value > 0.0 ? "more" : "less", check.e_n),
       "repeat the bucket run, longer; if it stays, the day's flows are in doubt by as much: look for air or "
       "dirt in the meter, another liquid or temperature than it was calibrated at, and run conebook "
       "calibrate "
       "meter"});
}

}  // namespace

std::vector<MeterCheck> CheckMeter(const std::vector<const Run*>& runs) {
  std::vector<MeterCheck> checks;
  for (const Run* of_bucket : runs) {
    for (const Point& bucket : of_bucket->points) {
      if (!ByBucket(bucket) || !HasArea(bucket)) continue;
      const Point* nearest = nullptr;
      const auto apart = [&](const Point& point) {
        return std::abs(point.pressure_bar->value / bucket.pressure_bar->value - 1.0);
      };
      for (const Run* of_meter : runs) {
        if (!of_meter->log || of_meter->element != of_bucket->element) continue;
        for (const Point& point : of_meter->points) {
          if (!HasArea(point) || apart(point) > kNearShare) continue;
          if (nearest == nullptr || apart(point) < apart(*nearest)) nearest = &point;
        }
      }
      if (nearest == nullptr) continue;
      MeterCheck& check = checks.emplace_back();
      check.element = of_bucket->element;
      check.bucket_bar = bucket.pressure_bar->value;
      check.meter_bar = nearest->pressure_bar->value;
      check.difference_percent = Difference(*nearest->flow_area_mm2, *bucket.flow_area_mm2);
      check.e_n = check.difference_percent.value / (2.0 * check.difference_percent.u);
      Flag(check);
    }
  }
  return checks;
}

std::string InWords(const MeterCheck& check) {
  return fmt::format(
      "element {}: meter at {:.2f} bar less bucket at {:.2f} bar, by flow area: {:+.2f} % (u {:.2f} %), E_n "
      "{:.2f}{}",
      check.element, check.meter_bar, check.bucket_bar, check.difference_percent.value,
      check.difference_percent.u, check.e_n, std::abs(check.e_n) <= 1.0 ? ", within 1" : ", beyond 1");
}

}  // namespace conebook::src
