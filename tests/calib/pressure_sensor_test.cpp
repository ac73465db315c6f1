// A straight line with u and correlation, then used backwards: the pattern of JCGM 100:2008 H.3, whose
// printed values curve_fit_test.cpp meets. Here simulated sensors with drawn errors.
#include <cmath>
#include <random>

#include <catch2/catch.hpp>

#include <calib/pressure_sensor.h>
#include <calib/quantity.h>

using namespace conebook::calib;

namespace {

const std::vector<double> kUpAndDownBar{0.0, 2.0, 4.0, 6.0, 8.0, 10.0, 8.0, 6.0, 4.0, 2.0, 0.0};

}  // namespace

TEST_CASE("a sensor that reads 20 mbar and 1 % high is put right", "[calib][pressure]") {
  std::vector<SensorReading> readings;
  for (const double bar : kUpAndDownBar) readings.push_back({bar, 0.02 + 1.01 * bar, 0.0, 0.001});
  const auto fit = FitPressureSensor(readings, 0.0);
  REQUIRE(fit);
  CHECK(fit->sensor.zero_bar == Approx(0.02).epsilon(1e-9));
  CHECK(fit->sensor.span == Approx(1.01).epsilon(1e-12));
  CHECK(Corrected(fit->sensor, 5.07).bar == Approx(5.0).epsilon(1e-12));
  REQUIRE(fit->hysteresis_bar);
  CHECK(*fit->hysteresis_bar == Approx(0.0).margin(1e-12));
}

TEST_CASE("hysteresis is what falling reads above rising, and stays in u", "[calib][pressure]") {
  std::vector<SensorReading> readings;
  for (std::size_t i = 0; i < kUpAndDownBar.size(); ++i) {
    const double bar = kUpAndDownBar[i];
    const double lag = i > 5 ? 0.03 * std::sin(3.14159265 * bar / 10.0) : 0.0;
    readings.push_back({bar, bar + lag, 0.0, 0.001});
  }
  const auto fit = FitPressureSensor(readings, 0.0);
  REQUIRE(fit);
  REQUIRE(fit->hysteresis_bar);
  CHECK(*fit->hysteresis_bar == Approx(0.03 * std::sin(3.14159265 * 0.4)).epsilon(1e-6));
  CHECK(Corrected(fit->sensor, 5.0).u_bar > 0.0285 / std::sqrt(12.0));
  // One way only: nothing is known of it.
  readings.resize(6);
  CHECK_FALSE(FitPressureSensor(readings, 0.0)->hysteresis_bar);
}

TEST_CASE("over simulated sensors the corrected reading's 95 % interval covers the true pressure",
          "[calib][pressure]") {
  std::mt19937 random(21);
  std::normal_distribution<double> gauss(0.0, 1.0);
  int covered = 0;
  constexpr int kSensors = 1000;
  for (int k = 0; k < kSensors; ++k) {
    const double zero = 0.02 * gauss(random), span = 1.0 + 0.01 * gauss(random);
    const double reference = 1.0 + 0.0005 * gauss(random);
    std::vector<SensorReading> readings;
    for (const double bar : kUpAndDownBar) {
      // The reference shows `bar`; true is that over its own error. Setting it has 2 mbar, the reading 3.
      const double at = (bar + 0.002 * gauss(random)) / reference;
      readings.push_back({bar, zero + span * at + 0.003 * gauss(random), 0.002, 0.003});
    }
    const auto fit = FitPressureSensor(readings, 0.0005);
    REQUIRE(fit);
    const double true_bar = 7.3;
    const CorrectedPressure used = Corrected(fit->sensor, zero + span * true_bar);
    covered += std::abs(used.bar - true_bar) <= CoverageFactor95(used.dof) * used.u_bar ? 1 : 0;
  }
  // u is widened, never narrowed, by the scatter: 95 % or a little more.
  CHECK(covered >= 935);
  CHECK(covered <= 995);
}

TEST_CASE("the correlation of zero and span is kept: u is least amid the readings", "[calib][pressure]") {
  std::vector<SensorReading> readings;
  std::mt19937 random(2);
  std::normal_distribution<double> gauss(0.0, 0.004);
  for (const double bar : kUpAndDownBar) readings.push_back({bar, bar + gauss(random), 0.0, 0.0});
  const PressureSensor sensor = FitPressureSensor(readings, 0.0)->sensor;
  CHECK(sensor.covariance_bar < 0.0);
  CHECK(Corrected(sensor, 4.5).u_bar < Corrected(sensor, 0.0).u_bar);
  CHECK(Corrected(sensor, 4.5).u_bar < Corrected(sensor, 10.0).u_bar);
}

TEST_CASE("pressures that were not calibrated are told, and are less certain", "[calib][pressure]") {
  std::vector<SensorReading> readings;
  for (const double bar : kUpAndDownBar) readings.push_back({bar, bar, 0.0, 0.001});
  const PressureSensor sensor = FitPressureSensor(readings, 0.0)->sensor;
  CHECK(Corrected(sensor, 10.1).in_range);
  CHECK_FALSE(Corrected(sensor, 14.0).in_range);
  CHECK(Corrected(sensor, 14.0).u_bar >= 0.02);
  CHECK_FALSE(FitPressureSensor({{0, 0, 0, 0}, {1, 1, 0, 0}}, 0.0));
  CHECK_FALSE(FitPressureSensor({{1, 1, 0, 0}, {1, 1, 0, 0}, {1, 1, 0, 0}}, 0.0));
  CHECK_FALSE(FitPressureSensor({{0, 2, 0, 0}, {1, 1, 0, 0}, {2, 0, 0, 0}}, 0.0));
}
