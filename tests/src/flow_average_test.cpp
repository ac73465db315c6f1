// Steady flow out of noisy, lagging and pulse-counting meters with known truth.
#include <catch2/catch.hpp>

#include <src/flow_average.h>

#include "simulated_log.h"

using namespace conebook;
using tests::LogPlan;

namespace {

struct Score {
  double worst_share = 0.0, mean_share = 0.0;
  int covered = 0, points = 0;
};

Score ScoreOf(LogPlan plan, unsigned seeds, double unit) {
  Score score;
  for (unsigned seed = 1; seed <= seeds; ++seed) {
    plan.seed = seed;
    const auto log = Simulate(plan);
    const auto stretches = src::FindSteadyStretches(log.time_s, log.pressure_bar, log.flow);
    if (stretches.size() != log.points.size()) continue;
    const auto flow = src::AverageFlow(log.time_s, log.flow, plan.pulses_per_unit > 0.0, stretches);
    for (std::size_t i = 0; i < stretches.size(); ++i) {
      const double truth = log.points[i].flow * unit;
      const double error = flow.points[i].mean - truth;
      score.worst_share = std::max(score.worst_share, std::abs(error) / truth);
      score.mean_share += error / truth;
      // 0.05 %: what may be left of the approach, and of the transient's tail in the truth.
      score.covered += std::abs(error) <= 2.0 * std::hypot(flow.points[i].u_statistics, 5e-4 * truth) ? 1 : 0;
      ++score.points;
    }
  }
  score.mean_share /= std::max(1, score.points);
  return score;
}

LogPlan ThreePoints() {
  LogPlan plan;
  plan.level_bar = {2.0, 4.0, 7.0};
  plan.duration_s = {2.0, 2.0, 2.0};
  plan.rate_hz = 100.0;
  return plan;
}

}  // namespace

TEST_CASE("a meter without lag is averaged as it reads", "[src][flow]") {
  const Score score = ScoreOf(ThreePoints(), 60, 1.0);
  REQUIRE(score.points > 150);
  CHECK(score.worst_share < 0.002);
  CHECK(score.covered >= score.points * 90 / 100);
}

TEST_CASE("a lagging meter's start is left out, so that the average is unbiased", "[src][flow]") {
  for (const double lag_s : {0.05, 0.1, 0.2, 0.3}) {
    LogPlan plan = ThreePoints();
    plan.meter_lag_s = lag_s;
    CAPTURE(lag_s);
    const Score score = ScoreOf(plan, 60, 1.0);
    REQUIRE(score.points > 150);
    CHECK(std::abs(score.mean_share) < 0.001);
    CHECK(score.worst_share < 0.006);
    CHECK(score.covered >= score.points * 90 / 100);
  }
}

TEST_CASE("points of 0.8 s behind a lag of 0.2 s come out within half a per cent", "[src][flow]") {
  LogPlan plan = ThreePoints();
  plan.duration_s = {0.9, 0.9, 0.9};
  plan.rise_s = 0.02;
  plan.meter_lag_s = 0.2;
  const Score score = ScoreOf(plan, 60, 1.0);
  REQUIRE(score.points > 150);
  CHECK(std::abs(score.mean_share) < 0.002);
  CHECK(score.worst_share < 0.012);
}

TEST_CASE("whole pulses are summed, not taken the median of", "[src][flow]") {
  // 20000 pulses per litre at 0.0283 to 0.0529 L/s: five to eleven pulses in each row at 100 rows a second.
  LogPlan plan = ThreePoints();
  plan.pulses_per_unit = 20000.0;
  SECTION("no lag") {}
  SECTION("lag 0.15 s") {
    plan.meter_lag_s = 0.15;
  }
  SECTION("under one pulse a row") {
    plan.pulses_per_unit = 2000.0;
  }
  const Score score = ScoreOf(plan, 60, plan.pulses_per_unit);
  REQUIRE(score.points > 150);
  CHECK(std::abs(score.mean_share) < 0.003);
  CHECK(score.covered >= score.points * 88 / 100);
}
