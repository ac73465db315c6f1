// Traps drawn into logs of known truth. What each should do to a log: common practice, no source. The change
// of water's viscosity with temperature: IAPWS R12-08, some 2.4 % a kelvin at 20 C.
#include <cmath>
#include <random>

#include <catch2/catch.hpp>

#include <src/discharge.h>
#include <src/flow_average.h>
#include <src/stand_traps.h>

using namespace conebook;

namespace {

struct Plan {
  double rate_hz = 50.0, seconds = 4.0;
  double swing = 0.0, swing_hz = 4.0;  // half peak to peak over the mean
  double wander = 0.0;
  double cd_change = 0.0;  // over the point
  double pulses = 0.0;     // a second; 0: rates
  unsigned seed = 1;
};

struct Point {
  src::StandLog log;
  std::vector<src::PointReading> readings;
};

Point Draw(const Plan& plan) {
  Point point;
  std::mt19937 random(plan.seed);
  std::normal_distribution<double> gauss(0.0, 1.0);
  double wander = 0.0, counted = 0.0, pulses = 0.0;
  const int rows = static_cast<int>(plan.rate_hz * plan.seconds);
  point.log.flow_kind = plan.pulses > 0.0 ? src::FlowKind::kPulseHz : src::FlowKind::kMassKgS;
  for (int i = 0; i < rows; ++i) {
    const double t = i / plan.rate_hz;
    wander +=
        -wander / plan.rate_hz / 0.4 + plan.wander * std::sqrt(2.0 / plan.rate_hz / 0.4) * gauss(random);
    const double bar =
        5.0 * (1.0 + wander + plan.swing * std::sin(2.0 * 3.141592653589793 * plan.swing_hz * t + 0.7));
    const double flow = std::sqrt(bar / 5.0) * (1.0 + plan.cd_change * (t / plan.seconds - 0.5));
    point.log.time_s.push_back(t);
    point.log.pressure_bar.push_back(bar + 0.005 * gauss(random));
    pulses += plan.pulses * flow / plan.rate_hz;
    if (plan.pulses > 0.0) {
      point.log.flow.push_back((std::floor(pulses) - counted) * plan.rate_hz);
      counted = std::floor(pulses);
    } else {
      point.log.flow.push_back(flow * (1.0 + 0.003 * gauss(random)));
    }
  }
  src::PointReading reading;
  reading.pressure_bar = 5.0;
  reading.log_t0_s = 0.0;
  reading.log_t1_s = point.log.time_s.back();
  point.readings = {reading};
  return point;
}

std::vector<calib::Flag> Pulsation(const Plan& plan) {
  const Point point = Draw(plan);
  std::vector<calib::Flag> flags;
  src::FlagPulsation(point.log, point.readings, flags);
  return flags;
}

std::vector<calib::Flag> Drift(const Plan& plan) {
  const Point point = Draw(plan);
  std::vector<calib::Flag> flags;
  src::FlagDriftingCd(point.log, point.readings, flags);
  return flags;
}

bool Says(const calib::Flag& flag, const std::string& words) {
  return flag.message.find(words) != std::string::npos;
}

}  // namespace

TEST_CASE("a pump's swing is flagged with its frequency and size", "[src][stand_traps]") {
  Plan plan;
  plan.swing = 0.03;
  plan.swing_hz = GENERATE(2.0, 4.0, 11.0);
  const auto flags = Pulsation(plan);
  REQUIRE(flags.size() == 1);
  CHECK(flags[0].code == "pressure_pulsates");
  INFO(flags[0].message);
  // Whole periods over four seconds: a quarter of a hertz.
  double percent = 0.0, hz = 0.0;
  REQUIRE(std::sscanf(flags[0].message.c_str(), "the pressure swings by %lf %% either way at %lf Hz",
                      &percent, &hz) == 2);
  CHECK(hz == Approx(plan.swing_hz).margin(0.25));
  CHECK(percent == Approx(3.0).margin(0.3));
}

TEST_CASE("noise, a slow wander and a small swing are no pulsation", "[src][stand_traps]") {
  for (unsigned seed = 1; seed <= 60; ++seed) {
    Plan noise, wander, small;
    noise.seed = wander.seed = small.seed = seed;
    wander.wander = 0.01;
    small.swing = 0.006;
    CHECK(Pulsation(noise).empty());
    CHECK(Pulsation(wander).empty());
    CHECK(Pulsation(small).empty());
  }
}

TEST_CASE("a flow that falls off at steady pressure is flagged, in rates and in pulses",
          "[src][stand_traps]") {
  for (const double pulses : {0.0, 400.0}) {
    Plan plan;
    plan.pulses = pulses;
    plan.cd_change = -0.03;
    const auto flags = Drift(plan);
    REQUIRE(flags.size() == 1);
    CHECK(flags[0].code == "cd_drifts");
    CHECK(Says(flags[0], "falls by"));
  }
}

TEST_CASE("an element that stays the same is not said to drift", "[src][stand_traps]") {
  for (unsigned seed = 1; seed <= 200; ++seed) {
    Plan plan;
    plan.seed = seed;
    plan.wander = seed % 2 == 0 ? 0.01 : 0.0;
    plan.pulses = seed % 3 == 0 ? 200.0 : 0.0;
    CHECK(Drift(plan).empty());
  }
}

TEST_CASE("a meter that still follows the valve's opening is no element that drifts", "[src][stand_traps]") {
  // 12 rows a second; the pressure stands from 0.3 s on, the meter lags by 0.6 s: after 2 s it has 3 % to go.
  src::StandLog log;
  log.flow_kind = src::FlowKind::kMassKgS;
  src::SteadyStretch stretch;
  std::mt19937 random(3);
  std::normal_distribution<double> gauss(0.0, 1.0);
  for (int i = 0; i < 32; ++i) {
    const double t = i / 12.0;
    log.time_s.push_back(t);
    log.pressure_bar.push_back((t < 0.3 ? 0.0 : 5.0) + 0.002 * gauss(random));
    log.flow.push_back(t < 0.3 ? 0.0
                               : 0.004 * (1.0 - std::exp(-(t - 0.3) / 0.6)) * (1.0 + 0.001 * gauss(random)));
  }
  stretch.first = 4;
  stretch.last = 31;
  stretch.t0_s = log.time_s[4];
  stretch.t1_s = log.time_s[31];
  const src::FlowSettling settling = src::AverageFlow(log.time_s, log.flow, false, {stretch});
  const std::vector<src::PointReading> readings = src::ReadingsFromLog(log, {stretch}, settling);
  std::vector<calib::Flag> flags;
  src::FlagDriftingCd(log, readings, flags);
  CHECK(readings[0].flow_extrapolated);
  CHECK(flags.empty());
}

TEST_CASE("water that warms by 4 C over the points is flagged, by 1 C it is not", "[src][stand_traps]") {
  src::Rig rig;
  rig.stand.liquid = "water";
  for (const double change_c : {1.0, 4.0}) {
    std::vector<src::PointReading> readings(3);
    for (std::size_t i = 0; i < 3; ++i)
      readings[i].temperature_c = 20.0 + change_c * static_cast<double>(i) / 2.0;
    std::vector<calib::Flag> flags;
    src::FlagTemperatureDrift(rig, readings, flags);
    CHECK(flags.size() == (change_c > 2.0 ? 1 : 0));
  }
  std::vector<calib::Flag> flags;
  src::FlagTemperatureDrift(rig, std::vector<src::PointReading>(3), flags);  // not logged
  CHECK(flags.empty());
}

TEST_CASE("flammable mist and gas over the liquid are said", "[src][stand_traps]") {
  src::Rig rig;
  const auto codes = [&](double bar) {
    std::vector<calib::Flag> flags;
    src::FlagDangers(rig, bar, flags);
    std::string all;
    for (const calib::Flag& flag : flags) all += flag.code + " ";
    return all;
  };
  rig.stand.liquid = "water";
  CHECK(codes(8.0).empty());
  rig.stand.tap = src::PressureTap::kTank;
  CHECK(codes(8.0) == "gas_over_liquid ");
  rig.stand.liquid = "ethanol";
  CHECK(codes(8.0) == "flammable_mist gas_over_liquid ");
}
