// Flow of a turbine meter: frequency over K (ISO 2715, API MPMS 5.3, from memory); linearity as half the
// spread over the middle. Simulated bucket tests with drawn errors for the rest.
#include <cmath>
#include <random>

#include <catch2/catch.hpp>

#include <calib/meter_curve.h>
#include <calib/quantity.h>

using namespace conebook::calib;

namespace {

// K rises from 19 800 to 20 200 pulses a litre between 100 and 500 Hz.
double TrueK(double rate_hz) {
  return 20000.0 + 1.0 * (rate_hz - 300.0);
}

std::vector<MeterRun> BucketTest(std::mt19937& random, double u_share) {
  std::normal_distribution<double> gauss(0.0, 1.0);
  std::vector<MeterRun> runs;
  for (const double rate : {100.0, 200.0, 300.0, 400.0, 500.0}) {
    for (int i = 0; i < 3; ++i) {
      const double k = TrueK(rate);
      runs.push_back({rate * (1.0 + 0.002 * gauss(random)), 0.002 * rate, k * (1.0 + u_share * gauss(random)),
                      u_share * k});
    }
  }
  return runs;
}

}  // namespace

TEST_CASE("350 Hz at 20000 pulses a litre are 0.0175 litres a second", "[calib][meter]") {
  std::vector<MeterRun> runs;
  for (const double rate : {200.0, 350.0, 500.0}) runs.push_back({rate, 0.0, 20000.0, 0.0});
  runs[0].value = 20001.0;
  runs[2].value = 19999.0;
  const auto fit = FitMeterCurve(MeterKind::kPulses, runs, 1, 0.0);
  REQUIRE(fit);
  CHECK(ValueAt(fit->curve, 350.0).value == Approx(20000.0).epsilon(1e-12));
  CHECK(TrueFlow(fit->curve, 350.0) == Approx(0.0175).epsilon(1e-12));
  CHECK(fit->linearity_share == Approx(1.0 / 20000.0).epsilon(1e-9));
  CHECK_FALSE(fit->repeatability_share);
}

TEST_CASE("an indicated flow is multiplied by its meter factor, pulses are divided by K", "[calib][meter]") {
  MeterCurve curve;
  curve.coefficients = Eigen::VectorXd::Constant(1, 1.02);
  curve.covariance = Eigen::MatrixXd::Zero(1, 1);
  curve.lowest_rate = 0.01;
  curve.highest_rate = 0.1;
  curve.kind = MeterKind::kMass;
  CHECK(TrueFlow(curve, 0.05) == Approx(0.051));
  curve.kind = MeterKind::kPulses;
  CHECK(TrueFlow(curve, 0.051) == Approx(0.05));
}

TEST_CASE(
    "over simulated bucket tests the interval of K covers the truth, and the line is told from a constant",
    "[calib][meter]") {
  std::mt19937 random(7);
  std::normal_distribution<double> gauss(0.0, 1.0);
  int covered = 0, bends = 0;
  constexpr int kTests = 500;
  for (int test = 0; test < kTests; ++test) {
    // A scale that is 0.1 % off for all runs of a test, and 0.1 % of each run's own.
    const double common = 1.0 + 0.001 * gauss(random);
    std::vector<MeterRun> runs = BucketTest(random, 0.001);
    for (MeterRun& run : runs) run.value *= common;
    const auto fit = FitMeterCurve(MeterKind::kPulses, runs, 2, 0.001);
    REQUIRE(fit);
    const MeterValue at = ValueAt(fit->curve, 250.0);
    covered += std::abs(at.value / TrueK(250.0) - 1.0) <= CoverageFactor95(at.dof) * at.u_share ? 1 : 0;
    bends += FitMeterCurve(MeterKind::kPulses, runs, 1, 0.001)->chance_of_bend < 0.01 ? 1 : 0;
    CHECK(fit->linearity_share == Approx(0.01).margin(0.003));
    REQUIRE(fit->repeatability_share);
    CHECK(*fit->repeatability_share == Approx(0.001).margin(0.001));
  }
  // u is widened, never narrowed, by the runs' scatter: 95 % or a little more.
  CHECK(covered >= 465);
  CHECK(covered <= 495);
  CHECK(bends == kTests);
}

TEST_CASE(
    "a meter that repeats worse than its runs were weighed keeps that in u, however many runs there are",
    "[calib][meter]") {
  std::mt19937 random(6);
  std::normal_distribution<double> gauss(0.0, 1.0);
  std::vector<MeterRun> runs;
  for (int i = 0; i < 20; ++i)
    for (MeterRun run : BucketTest(random, 0.0005)) {
      run.value *= 1.0 + 0.004 * gauss(random);
      runs.push_back(run);
    }
  const auto fit = FitMeterCurve(MeterKind::kPulses, runs, 2, 0.0);
  CHECK(fit->curve.u_run_share == Approx(0.004).margin(0.0005));
  CHECK(ValueAt(fit->curve, 300.0).u_share == Approx(0.004).margin(0.0006));
}

TEST_CASE("scale and density, shared by all runs, do not average down however many runs there are",
          "[calib][meter]") {
  std::mt19937 random(5);
  std::vector<MeterRun> runs;
  for (int i = 0; i < 40; ++i)
    for (const MeterRun& run : BucketTest(random, 0.0005)) runs.push_back(run);
  const auto fit = FitMeterCurve(MeterKind::kPulses, runs, 2, 0.003);
  CHECK(ValueAt(fit->curve, 300.0).u_share >= 0.003);
}

TEST_CASE("beyond the calibrated rates the last K holds, and its u says that nobody looked",
          "[calib][meter]") {
  std::mt19937 random(9);
  const auto fit = FitMeterCurve(MeterKind::kPulses, BucketTest(random, 0.0005), 2, 0.0005);
  REQUIRE(fit);
  const MeterValue inside = ValueAt(fit->curve, 120.0), below = ValueAt(fit->curve, 30.0);
  CHECK(inside.in_range);
  CHECK_FALSE(below.in_range);
  CHECK_FALSE(ValueAt(fit->curve, 800.0).in_range);
  CHECK(below.value == Approx(TrueK(100.0)).epsilon(0.002));
  CHECK(below.u_share > 0.01);
  CHECK(inside.u_share < 0.002);
}

TEST_CASE("a curve needs as many different rates as coefficients, and a run to spare", "[calib][meter]") {
  const std::vector<MeterRun> one_rate{{100, 0, 20000, 0}, {101, 0, 20010, 0}, {102, 0, 19990, 0}};
  CHECK(FitMeterCurve(MeterKind::kPulses, one_rate, 1, 0.0));
  CHECK_FALSE(FitMeterCurve(MeterKind::kPulses, one_rate, 2, 0.0));
  CHECK_FALSE(FitMeterCurve(MeterKind::kPulses, {}, 1, 0.0));
  CHECK_FALSE(FitMeterCurve(MeterKind::kPulses, {{100, 0, 20000, 0}, {200, 0, 20010, 0}}, 2, 0.0));
}
