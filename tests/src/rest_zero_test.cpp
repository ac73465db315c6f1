// The pressure sensor's zero from the log before the valve opens, and what it does to the pressure drop.
// Truth is drawn; that a shut valve upstream leaves nothing on the tap: common practice, no source.
#include <cmath>
#include <random>

#include <catch2/catch.hpp>

#include <src/discharge.h>
#include <src/rest_zero.h>
#include <src/stand_flags.h>

#include "has_flag.h"

using namespace conebook;

using conebook::testing::Has;

namespace {

src::Rig RigWith(src::PressureTap tap) {
  src::Rig rig;
  rig.path = "RIG.toml";
  rig.element = "A07";
  rig.view.exit_diameter_mm = {1.2, 0.002, false, false};
  rig.stand.density_kg_m3 = calib::Stated{1000.0, 0.1, false, false};
  rig.stand.tap = tap;
  return rig;
}

src::StandLog LogWith(double zero_bar, double rest_s, double resolution_bar = 0.0) {
  src::StandLog log;
  log.flow_kind = src::FlowKind::kMassKgS;
  std::mt19937 random(7);
  std::normal_distribution<double> gauss(0.0, 0.004);
  for (int i = 0; i < 300; ++i) {
    const double t = 0.02 * i, bar = t < rest_s ? 0.0 : 4.0;
    double read = bar + zero_bar + gauss(random);
    if (resolution_bar > 0.0) read = std::round(read / resolution_bar) * resolution_bar;
    log.time_s.push_back(t);
    log.pressure_bar.push_back(read);
    log.flow.push_back(0.01 * std::sqrt(bar));
  }
  return log;
}

}  // namespace

TEST_CASE("a zero of 20 mbar is read off before the valve opens and taken out of the drop",
          "[src][rest_zero]") {
  for (const double zero_bar : {0.02, -0.035}) {
    const src::StandLog log = LogWith(zero_bar, 1.5);
    const src::Rig rig = src::WithZeroAtRest(RigWith(src::PressureTap::kElement), log);
    REQUIRE(rig.pressure_zero_bar);
    CHECK(rig.pressure_zero_bar->value == Approx(zero_bar).margin(0.002));
    CHECK(rig.pressure_zero_bar->u < 0.002);
    src::PointReading reading;
    reading.pressure_bar = 4.0 + zero_bar;
    const auto discharge = src::ComputeDischarge(rig, {reading});
    CHECK(discharge.points[0].pressure_bar->value == Approx(4.0).margin(0.002));
    bool said = false;
    for (const calib::Contribution& part : discharge.points[0].pressure_bar->budget)
      said = said || part.source == "zero of the pressure sensor, at rest";
    CHECK(said);
  }
}

TEST_CASE("upstream of the valve, without rest, or with a column of liquid on it, the log tells no zero",
          "[src][rest_zero]") {
  CHECK_FALSE(src::ZeroAtRest(RigWith(src::PressureTap::kTank), LogWith(0.02, 1.5)));
  CHECK_FALSE(src::ZeroAtRest(RigWith(src::PressureTap::kElement), LogWith(0.02, 0.4)));
  CHECK_FALSE(src::ZeroAtRest(RigWith(src::PressureTap::kElement), LogWith(0.3, 1.5)));
  src::Rig high = RigWith(src::PressureTap::kLine);
  high.stand.tap_above_exit_mm = calib::Stated{400.0, 5.0, false, false};
  CHECK_FALSE(src::ZeroAtRest(high, LogWith(0.02, 1.5)));
  std::vector<calib::Flag> flags;
  src::FlagZero(high, LogWith(0.02, 1.5), flags);
  CHECK(Has(flags, "zero_unknown"));
  flags.clear();
  src::FlagZero(RigWith(src::PressureTap::kElement), LogWith(0.02, 1.5), flags);
  CHECK(Has(flags, "zero_from_rest"));
}

TEST_CASE("a sensor that stands on one step at rest may be off by half of it", "[src][rest_zero]") {
  src::StandLog log = LogWith(0.0, 1.5);
  for (std::size_t i = 0; i < log.Rows(); ++i)
    log.pressure_bar[i] = std::round((log.pressure_bar[i] + 0.001 * static_cast<double>(i)) / 0.04) * 0.04;
  for (std::size_t i = 0; i < 75; ++i) log.pressure_bar[i] = 0.0;
  const auto rest = src::ZeroAtRest(RigWith(src::PressureTap::kElement), log);
  REQUIRE(rest);
  // Rectangular over a step: GUM 4.3.7.
  CHECK(rest->zero_bar.u == Approx(0.04 / std::sqrt(12.0)).epsilon(0.05));
}

TEST_CASE("a zero that the rig states stands", "[src][rest_zero]") {
  src::Rig rig = RigWith(src::PressureTap::kElement);
  rig.pressure_zero_bar = calib::Stated{0.01, 0.001, false, false};
  CHECK(src::WithZeroAtRest(rig, LogWith(0.03, 1.5)).pressure_zero_bar->value == 0.01);
}

TEST_CASE("the day's zero takes the place of the calibration's, whose span stands", "[src][rest_zero]") {
  src::Rig rig = RigWith(src::PressureTap::kElement);
  calib::PressureSensor sensor;
  sensor.zero_bar = 0.01;
  sensor.u_zero_bar = 0.001;
  sensor.span = 1.02;
  sensor.u_span = 0.001;
  sensor.lowest_bar = 0.0;
  sensor.highest_bar = 10.0;
  rig.pressure_calibration = src::PressureFile{};
  rig.pressure_calibration->sensor = sensor;
  rig.pressure_zero_bar = calib::Stated{0.03, 0.0005, false, false};
  src::PointReading reading;
  reading.pressure_bar = 0.03 + 1.02 * 5.0;
  CHECK(src::ComputeDischarge(rig, {reading}).points[0].pressure_bar->value == Approx(5.0).epsilon(1e-9));
}
