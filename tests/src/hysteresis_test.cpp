// Which way a pressure was reached, hysteresis of the flow area, and nominal pressures. The truth is what the
// simulated logs were made with; no published data.
#include "src/hysteresis.h"

#include <random>

#include <catch2/catch.hpp>

#include <src/discharge.h>
#include <src/nominal_points.h>

#include "has_flag.h"
#include "simulated_log.h"

using namespace conebook;
using Catch::Matchers::Contains;
using src::Direction;

using conebook::testing::Has;

namespace {

std::vector<Direction> Directions(const tests::LogPlan& plan) {
  const tests::SimulatedLog log = tests::Simulate(plan);
  return src::DirectionsOf(log.pressure_bar,
                           src::FindSteadyStretches(log.time_s, log.pressure_bar, log.flow));
}

tests::LogPlan Steps(std::vector<double> level_bar) {
  tests::LogPlan plan;
  plan.duration_s.assign(level_bar.size(), 2.0);
  plan.level_bar = std::move(level_bar);
  return plan;
}

src::Point At(double bar, double area_mm2, Direction direction, double own_share = 0.0005) {
  src::Point point;
  point.pressure_bar = calib::Combine(bar, {{"pressure sensor", 0.005 * bar, calib::Shared::kMeter}});
  point.flow_area_mm2 =
      calib::Combine(area_mm2, {{"flow meter", 0.01 * area_mm2, calib::Shared::kMeter},
                                {"scatter of the flow", own_share * area_mm2, calib::Shared::kFrames}});
  point.direction = direction;
  return point;
}

}  // namespace

TEST_CASE("steps up and down are told apart, the first from nought rises", "[src][hysteresis]") {
  const auto up = Direction::kRising, down = Direction::kFalling;
  CHECK(Directions(Steps({2.0, 5.0, 9.0, 5.0, 2.0})) == std::vector<Direction>{up, up, up, down, down});
  tests::LogPlan overshoot = Steps({2.0, 5.0, 9.0, 5.0, 2.0});
  overshoot.overshoot = 0.15;
  CHECK(Directions(overshoot) == std::vector<Direction>{up, up, up, down, down});
  tests::LogPlan shut = Steps({9.0, 5.0, 2.0});
  shut.off_between = true;  // each comes up from nought
  CHECK(Directions(shut) == std::vector<Direction>{up, up, up});
}

TEST_CASE("a log that begins at pressure does not say which way its first point was reached",
          "[src][hysteresis]") {
  std::vector<double> time_s, bar, flow;
  for (int i = 0; i < 400; ++i) {
    time_s.push_back(0.02 * i);
    bar.push_back(i < 200 ? 6.0 : 3.0);
    flow.push_back(0.01);
  }
  const auto directions = src::DirectionsOf(bar, src::FindSteadyStretches(time_s, bar, flow));
  REQUIRE(directions.size() == 2);
  CHECK(directions[0] == Direction::kUnknown);
  CHECK(directions[1] == Direction::kFalling);
  CHECK(src::DirectionsOf(std::vector<double>{2.0, 5.0, 5.02, 3.0}) ==
        std::vector<Direction>{Direction::kUnknown, Direction::kRising, Direction::kUnknown,
                               Direction::kFalling});
}

TEST_CASE("hysteresis is the area falling less rising at the same pressure, what both share cancels",
          "[src][hysteresis]") {
  std::vector<calib::Flag> flags;
  // At 4 bar the rising branch lies half way between 1.00 and 1.02.
  const auto result = src::HysteresisOf(
      {},
      {At(2.0, 1.00, Direction::kRising), At(6.0, 1.02, Direction::kRising),
       At(4.0, 1.01 * 1.03, Direction::kFalling), At(2.0, 1.00 * 1.03, Direction::kFalling)},
      flags);
  REQUIRE(result);
  CHECK(result->pairs == 2);
  CHECK(result->flow_area_percent.value == Approx(3.0).epsilon(1e-9));
  // Half of sqrt(own: 2 falling, rising with weights 1.5 and 0.5), each hypot(0.05 %, 0.1 %).
  CHECK(result->flow_area_percent.u ==
        Approx(0.5 * std::sqrt(2.0 + 2.25 + 0.25) * std::hypot(0.05, 0.1)).epsilon(1e-6));
  CHECK(Has(flags, "flow_hysteresis"));
}

TEST_CASE("no pressure both ways: no number and the reason; none within u: no warning", "[src][hysteresis]") {
  std::vector<calib::Flag> flags;
  CHECK_FALSE(
      src::HysteresisOf({}, {At(2.0, 1.0, Direction::kRising), At(6.0, 1.0, Direction::kRising)}, flags));
  CHECK(Has(flags, "hysteresis_needs_both"));
  flags.clear();
  // A falling point far outside the rising ones is no pair.
  CHECK_FALSE(
      src::HysteresisOf({}, {At(4.0, 1.0, Direction::kRising), At(2.0, 1.0, Direction::kFalling)}, flags));
  CHECK(Has(flags, "hysteresis_needs_both"));
  flags.clear();
  const auto same = src::HysteresisOf({},
                                      {At(2.0, 1.0, Direction::kRising), At(6.0, 1.0, Direction::kRising),
                                       At(4.0, 1.001, Direction::kFalling)},
                                      flags);
  REQUIRE(same);
  CHECK_FALSE(Has(flags, "flow_hysteresis"));
}

// A 95 % interval leaves the truth out once in twenty: over 400 elements without hysteresis, 6 to 34 warnings
// lie within 3.3 standard deviations of the binomial count.
TEST_CASE("elements without hysteresis are warned of about once in twenty", "[src][hysteresis]") {
  std::mt19937 random(11);
  // Scatter as the points state it, and a repeatability of 0.1 % each.
  std::normal_distribution<double> gauss(0.0, std::hypot(0.002, 0.001));
  int warned = 0;
  for (int element = 0; element < 400; ++element) {
    std::vector<src::Point> points;
    for (const double bar : {2.0, 4.0, 6.0, 8.0})
      points.push_back(At(bar, 1.0 + gauss(random), Direction::kRising, 0.002));
    for (const double bar : {6.0, 4.0, 2.0})
      points.push_back(At(bar, 1.0 + gauss(random), Direction::kFalling, 0.002));
    std::vector<calib::Flag> flags;
    REQUIRE(src::HysteresisOf({}, points, flags));
    warned += Has(flags, "flow_hysteresis") ? 1 : 0;
  }
  CAPTURE(warned);
  CHECK(warned >= 6);
  CHECK(warned <= 34);
}

TEST_CASE("points take the nominal pressure they were meant for, the rest is said", "[src][nominal]") {
  std::vector<src::Point> points{At(2.05, 1.0, Direction::kRising), At(4.7, 1.0, Direction::kRising),
                                 At(7.0, 1.0, Direction::kRising), At(5.1, 1.0, Direction::kFalling)};
  std::vector<calib::Flag> flags;
  src::MatchNominal({{2.0, 5.0, 9.0}, std::nullopt}, points, flags);
  CHECK(points[0].nominal_bar == 2.0);
  CHECK_FALSE(points[1].nominal_bar);  // 0.3 bar off, tolerance 0.25
  CHECK_FALSE(points[2].nominal_bar);
  CHECK(points[3].nominal_bar == 5.0);
  REQUIRE(flags.size() == 3);
  CHECK(flags[0].code == "point_not_nominal");
  CHECK(flags[0].point == 1);
  CHECK_THAT(flags[0].message, Contains("nearest is 5 bar"));
  CHECK(flags[2].code == "nominal_not_measured");
  CHECK_THAT(flags[2].message, Contains("nominal 9 bar"));
  flags.clear();
  src::MatchNominal({{2.0, 5.0}, 0.4}, points, flags);
  CHECK(points[1].nominal_bar == 5.0);
}
