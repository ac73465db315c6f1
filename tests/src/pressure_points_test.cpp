// Pressure points found in simulated logs whose truth is known.
#include <stdexcept>

#include <catch2/catch.hpp>

#include <src/pressure_points.h>

#include "simulated_log.h"

using namespace conebook;
using tests::LogPlan;
using tests::SimulatedLog;

namespace {

std::vector<src::SteadyStretch> Found(const SimulatedLog& log) {
  return src::FindSteadyStretches(log.time_s, log.pressure_bar, log.flow);
}

// Every step found, none invented, each inside its own step, at its level.
bool Exact(const SimulatedLog& log, double level_share) {
  const auto found = Found(log);
  if (found.size() != log.points.size()) return false;
  const double slack_s = 0.02 + (log.time_s[1] - log.time_s[0]);  // half a bin and a row
  for (std::size_t i = 0; i < found.size(); ++i) {
    const auto& truth = log.points[i];
    if (found[i].t0_s < truth.t0_s - slack_s || found[i].t1_s > truth.t1_s + slack_s) return false;
    if (std::abs(found[i].mean_bar / truth.level_bar - 1.0) > level_share) return false;
  }
  return true;
}

double Between(std::mt19937& random, double lo, double hi) {
  return std::uniform_real_distribution<double>(lo, hi)(random);
}

LogPlan Staircase(unsigned seed, double lowest_rate_hz) {
  std::mt19937 random(seed);
  LogPlan plan;
  plan.seed = seed;
  plan.rate_hz = std::exp(Between(random, std::log(lowest_rate_hz), std::log(200.0)));
  plan.rise_s = Between(random, 0.02, 0.06);
  const int count = 1 + static_cast<int>(Between(random, 0.0, 5.99));
  double level = Between(random, 1.5, 4.0);
  for (int i = 0; i < count; ++i) {
    plan.level_bar.push_back(level);
    plan.duration_s.push_back(std::max(0.8, 10.0 / plan.rate_hz) + 4.0 * plan.rise_s +
                              (Between(random, 0.0, 1.0) < 0.5 ? 0.0 : Between(random, 0.0, 3.0)));
    level *=
        1.0 + (Between(random, 0.0, 1.0) < 0.4 ? Between(random, 0.05, 0.08) : Between(random, 0.1, 0.6));
  }
  plan.noise_share = Between(random, 0.0005, 0.003);
  plan.meter_lag_s = Between(random, 0.0, 0.3);
  plan.idle_before_s = Between(random, 0.1, 2.0);
  plan.idle_after_s = Between(random, 0.0, 1.5);
  if (Between(random, 0.0, 1.0) < 0.5) plan.pulses_per_unit = Between(random, 10000.0, 50000.0);
  if (Between(random, 0.0, 1.0) < 0.3) plan.overshoot = Between(random, 0.0, 0.1);
  if (Between(random, 0.0, 1.0) < 0.3) plan.drift_per_s = Between(random, -0.004, 0.004);
  if (Between(random, 0.0, 1.0) < 0.2) plan.off_between = true;
  return plan;
}

}  // namespace

TEST_CASE("every pressure step is found and none invented, over many stands", "[src][points]") {
  // 20 to 200 rows a second, points from 0.8 s, steps from 5 %, noise to 0.3 % of the highest, lag to 0.3 s.
  int exact = 0;
  constexpr int kLogs = 400;
  for (unsigned seed = 1; seed <= kLogs; ++seed) {
    const bool good = Exact(Simulate(Staircase(seed, 20.0)), 0.01);
    if (!good) UNSCOPED_INFO("seed " << seed);
    exact += good ? 1 : 0;
  }
  CHECK(exact >= kLogs * 99 / 100);
}

TEST_CASE("slow loggers, 5 to 20 rows a second, lose next to nothing as long as a point has ten rows",
          "[src][points]") {
  int exact = 0;
  constexpr int kLogs = 200;
  for (unsigned seed = 1; seed <= kLogs; ++seed) {
    LogPlan plan = Staircase(seed + 5000, 5.0);
    plan.rate_hz = std::min(plan.rate_hz, 20.0);
    for (double& duration_s : plan.duration_s) duration_s = std::max(duration_s, 14.0 / plan.rate_hz);
    const bool good = Exact(Simulate(plan), 0.015);
    if (!good) UNSCOPED_INFO("seed " << seed + 5000);
    exact += good ? 1 : 0;
  }
  CHECK(exact >= kLogs * 97 / 100);
}

TEST_CASE("a pause at zero, before, between and after, is no pressure point", "[src][points]") {
  LogPlan plan;
  plan.level_bar = {3.0, 5.0};
  plan.duration_s = {2.0, 2.0};
  plan.idle_before_s = plan.idle_after_s = 20.0;
  plan.off_between = true;
  CHECK(Found(Simulate(plan)).size() == 2);
  plan.level_bar = {0.0};
  plan.duration_s = {5.0};
  CHECK(Found(Simulate(plan)).empty());
}

TEST_CASE("pressure without flow, before the valve opens, is no pressure point", "[src][points]") {
  std::vector<double> t, p, q;
  for (int i = 0; i < 1000; ++i) {
    t.push_back(0.01 * i);
    p.push_back(5.0 + 0.005 * std::sin(i * 1.7));
    q.push_back(t.back() < 5.0 ? 0.0 : 0.04);
  }
  const auto found = src::FindSteadyStretches(t, p, q);
  REQUIRE(found.size() == 1);
  CHECK(found[0].t0_s > 4.7);
  CHECK(found[0].t1_s > 9.9);
}

TEST_CASE("a tank that blows down is no pressure point, however long", "[src][points]") {
  std::vector<double> t, p;
  std::mt19937 random(3);
  std::normal_distribution<double> noise(0.0, 0.01);
  for (int i = 0; i < 3000; ++i) {
    t.push_back(0.02 * i);
    p.push_back(9.0 * std::exp(-t.back() / 40.0) + noise(random));
  }
  CHECK(src::FindSteadyStretches(t, p, {}).empty());
}

TEST_CASE("a slow drift, a hum and a coarse sensor leave one point one point", "[src][points]") {
  LogPlan plan;
  plan.level_bar = {4.0};
  plan.duration_s = {12.0};
  SECTION("drift of 0.5 % a second") {
    plan.drift_per_s = -0.005;
  }
  SECTION("hum of 1 % at 7 Hz") {
    plan.hum_share = 0.01;
  }
  SECTION("hum of 1 % at 0.7 Hz") {
    plan.hum_share = 0.01;
    plan.hum_hz = 0.7;
  }
  SECTION("a sensor that reads in steps of 0.05 bar") {
    plan.resolution_bar = 0.05;
    plan.drift_per_s = 0.002;
    plan.noise_share = 0.002;
  }
  SECTION("ringing after the valve") {
    plan.overshoot = 0.2;
  }
  for (unsigned seed = 1; seed <= 25; ++seed) {
    plan.seed = seed;
    CAPTURE(seed);
    const SimulatedLog log = Simulate(plan);
    const auto found = Found(log);
    REQUIRE(found.size() == 1);
    CHECK(found[0].t1_s - found[0].t0_s > 10.3);  // up to 0.6 s may be trimmed at each end
    CHECK(found[0].mean_bar == Approx(log.points[0].level_bar).epsilon(0.005));
  }
}

TEST_CASE("two levels 5 % apart are two points", "[src][points]") {
  LogPlan plan;
  plan.level_bar = {3.0, 3.15};
  plan.duration_s = {2.0, 2.0};
  for (unsigned seed = 1; seed <= 25; ++seed) {
    plan.seed = seed;
    CAPTURE(seed);
    CHECK(Exact(Simulate(plan), 0.005));
  }
}

TEST_CASE("an offset of the clock moves the stretches and nothing else", "[src][points]") {
  SimulatedLog log = Simulate(Staircase(11, 50.0));
  const auto before = Found(log);
  constexpr double kEpoch_s = 1.7e9;
  for (double& t : log.time_s) t += kEpoch_s;
  const auto after = Found(log);
  REQUIRE(before.size() == after.size());
  for (std::size_t i = 0; i < before.size(); ++i) {
    CHECK(before[i].first == after[i].first);
    CHECK(before[i].last == after[i].last);
  }
}

TEST_CASE("scaling pressure and flow changes no stretch", "[src][points]") {
  SimulatedLog log = Simulate(Staircase(12, 50.0));
  const auto before = Found(log);
  for (double& p : log.pressure_bar) p *= 3.0;
  for (double& q : log.flow) q *= 0.1;
  const auto after = Found(log);
  REQUIRE(before.size() == after.size());
  for (std::size_t i = 0; i < before.size(); ++i) {
    CHECK(before[i].first == after[i].first);
    CHECK(after[i].mean_bar == Approx(3.0 * before[i].mean_bar));
  }
}

TEST_CASE("logs too short or out of order", "[src][points]") {
  CHECK(src::FindSteadyStretches({}, {}, {}).empty());
  CHECK(src::FindSteadyStretches({0.0}, {3.0}, {}).empty());
  CHECK(src::FindSteadyStretches({0.0, 0.1}, {3.0, 3.0}, {}).empty());
  CHECK_THROWS_AS(src::FindSteadyStretches({0.0, 0.0}, {3.0, 3.0}, {}), std::logic_error);
  CHECK_THROWS_AS(src::FindSteadyStretches({0.0, 1.0}, {3.0}, {}), std::logic_error);
}
