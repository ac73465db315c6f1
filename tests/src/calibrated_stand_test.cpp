// Discharge with calibrated sensors and a known line. Truth is in closed form: a tank tap's pressure is the
// element's drop and the line's loss, both with the square of the flow, so that
//   flow = sqrt(pressure / (density * (k + 1 / (2 area^2)))).
// The law of orifices and losses is any hydraulics handbook's (from memory).
#include <cmath>
#include <random>

#include <catch2/catch.hpp>

#include <calib/error.h>
#include <src/discharge.h>
#include <src/stand_flags.h>

#include "has_flag.h"

using namespace conebook;
using Catch::Matchers::Contains;

using conebook::testing::Has;

namespace {

constexpr double kDensity = 1000.0;
constexpr double kAreaMm2 = 0.8;

src::Rig TankRig() {
  src::Rig rig;
  rig.path = "RIG.toml";
  rig.element = "A07";
  rig.view.exit_diameter_mm = {2.0, 0.01, false, false};
  rig.stand.density_kg_m3 = calib::Stated{kDensity, 0.1, false, false};
  rig.stand.area_kind = "exit";
  rig.stand.tap = src::PressureTap::kTank;
  return rig;
}

// k of a line that takes this share of the pressure at the tap.
double KOfShare(double share) {
  const double area_m2 = 1e-6 * kAreaMm2;
  return share / (1.0 - share) / (2.0 * area_m2 * area_m2);
}

double TrueFlowM3S(double tap_bar, double k) {
  const double area_m2 = 1e-6 * kAreaMm2;
  return std::sqrt(1e5 * tap_bar / (kDensity * (k + 1.0 / (2.0 * area_m2 * area_m2))));
}

src::PointReading Reading(double bar, double flow, src::FlowKind kind) {
  src::PointReading reading;
  reading.pressure_bar = bar;
  reading.flow_kind = kind;
  reading.flow = flow;
  return reading;
}

std::vector<src::PointReading> Sweep(double k) {
  std::vector<src::PointReading> readings;
  for (const double bar : {2.0, 4.0, 6.0, 9.0})
    readings.push_back(Reading(bar, kDensity * TrueFlowM3S(bar, k), src::FlowKind::kMassKgS));
  return readings;
}

double ShareOf(const calib::Quantity& quantity, const std::string& source) {
  for (const calib::Contribution& part : quantity.budget) {
    if (part.source.find(source) != std::string::npos) return part.u / quantity.value;
  }
  return 0.0;
}

src::MeterFile MeterOf(const std::vector<calib::MeterRun>& runs, double u_common_share) {
  return {FitMeterCurve(calib::MeterKind::kPulses, runs, 2, u_common_share)->curve, "2031-05-04",
          "2032-05-04"};
}

}  // namespace

TEST_CASE("a line that takes 5 % reads as a Cd 2.5 % low and the exponent cannot see it; its k puts it right",
          "[src][calibrated]") {
  const double k = KOfShare(0.05);
  src::Rig rig = TankRig();
  const src::Discharge blind = ComputeDischarge(rig, Sweep(k));
  CHECK(blind.law->flow_area_mm2->value / kAreaMm2 == Approx(std::sqrt(0.95)).epsilon(1e-9));
  CHECK(blind.law->exponent->value == Approx(0.5).margin(1e-9));
  rig.line_loss = src::LineLossFile{k, 0.02 * k, 5.0, "", ""};
  const src::Discharge seeing = ComputeDischarge(rig, Sweep(k));
  CHECK(seeing.law->flow_area_mm2->value == Approx(kAreaMm2).epsilon(1e-9));
  CHECK(seeing.points[1].pressure_bar->value == Approx(0.95 * 4.0).epsilon(1e-9));
  // u of k: 2 % of a loss of 5 / 95 of the drop, and half of that of the area.
  CHECK(ShareOf(*seeing.points[1].pressure_bar, "line loss") == Approx(0.02 * 5.0 / 95.0).epsilon(1e-6));
  CHECK(ShareOf(*seeing.law->flow_area_mm2, "line loss") == Approx(0.01 * 5.0 / 95.0).epsilon(1e-6));
  CHECK_FALSE(Has(seeing.flags, "line_loss_unknown"));
}

TEST_CASE("a tank or line tap without a blank run is flagged, and the interval has room for the loss",
          "[src][calibrated]") {
  for (const src::PressureTap tap : {src::PressureTap::kTank, src::PressureTap::kLine}) {
    src::Rig rig = TankRig();
    rig.stand.tap = tap;
    for (const double share : {0.0, 0.02, 0.05, 0.08}) {
      const src::Discharge result = ComputeDischarge(rig, Sweep(KOfShare(share)));
      CHECK(Has(result.flags, "line_loss_unknown"));
      const calib::Quantity& area = *result.law->flow_area_mm2;
      // Anything from none to 10 %: a rectangle about none has 10 % / sqrt(3), JCGM 100:2008 4.3.7; the area
      // half.
      CHECK(ShareOf(area, "line loss") == Approx(0.05 / std::sqrt(3.0)).epsilon(1e-6));
      CHECK(calib::Interval95(area).lo < kAreaMm2);
      CHECK(calib::Interval95(area).hi > kAreaMm2);
    }
  }
  src::Rig element = TankRig();
  element.stand.tap = src::PressureTap::kElement;
  CHECK_FALSE(Has(ComputeDischarge(element, Sweep(0.0)).flags, "line_loss_unknown"));
}

TEST_CASE("a point without flow has no known loss, and only that point is flagged", "[src][calibrated]") {
  const double k = KOfShare(0.05);
  src::Rig rig = TankRig();
  rig.line_loss = src::LineLossFile{k, 0.02 * k, 5.0, "", ""};
  std::vector<src::PointReading> readings = Sweep(k);
  readings[2].flow = 0.0;
  const src::Discharge result = ComputeDischarge(rig, readings);
  int flagged = 0;
  for (const calib::Flag& flag : result.flags) {
    if (flag.code != "line_loss_unknown") continue;
    ++flagged;
    CHECK(flag.point == 2);
  }
  CHECK(flagged == 1);
}

TEST_CASE("a meter that reads 1 % high counts once more through the loss: u says what a try shows",
          "[src][calibrated]") {
  const double k = KOfShare(0.2);
  src::Rig rig = TankRig();
  rig.line_loss = src::LineLossFile{k, 0.0, 5.0, "", ""};
  rig.meter_u_percent = 0.1;
  std::vector<src::PointReading> readings = Sweep(k);
  const src::PointDischarge before = ComputeDischarge(rig, readings).points[1];
  for (src::PointReading& reading : readings) reading.flow *= 1.001;
  const src::PointDischarge after = ComputeDischarge(rig, readings).points[1];
  const double area_moves = after.flow_area_mm2->value / before.flow_area_mm2->value - 1.0;
  const double drop_moves = 1.0 - after.pressure_bar->value / before.pressure_bar->value;
  CHECK(area_moves == Approx(0.00125).epsilon(2e-3));
  CHECK(ShareOf(*before.flow_area_mm2, "flow meter") == Approx(area_moves).epsilon(2e-3));
  CHECK(ShareOf(*before.pressure_bar, "flow meter") == Approx(drop_moves).epsilon(2e-3));
}

TEST_CASE("a meter that measured the line and the element counts once: GUM eq. 13, as a try of it shows",
          "[src][calibrated]") {
  // JCGM 100:2008, 5.2.2: u^2 = sum c^2 u^2 + 2 sum c c u u r. k goes with flow^-2, so a meter that reads 1 %
  // high has a k 2 % low, and the loss, k times flow squared, comes out right.
  const double k = KOfShare(0.2), u_share = 0.01;
  src::Rig rig = TankRig();
  rig.k_factor_per_l = calib::Stated{20000.0, 20000.0 * u_share, false, false};
  const auto pulses = [&](double factor) {
    std::vector<src::PointReading> readings;
    for (const double bar : {2.0, 4.0, 6.0, 9.0})
      readings.push_back(Reading(bar, factor * 20000.0 * 1e3 * TrueFlowM3S(bar, k), src::FlowKind::kPulseHz));
    return readings;
  };
  src::LineLossFile line{k, std::hypot(2.0 * u_share, 0.005) * k, 5.0, "", ""};
  rig.line_loss = line;
  const src::PointDischarge apart = ComputeDischarge(rig, pulses(1.0)).points[1];
  line.meter = src::MeterIdentity(rig);
  line.k_share_by_meter = -2.0 * u_share;
  rig.line_loss = line;
  const src::PointDischarge one = ComputeDischarge(rig, pulses(1.0)).points[1];
  CHECK(one.flow_area_mm2->value == apart.flow_area_mm2->value);
  CHECK(ShareOf(*one.pressure_bar, "K-factor") == Approx(0.0).margin(1e-12));
  CHECK(ShareOf(*one.flow_area_mm2, "K-factor") == Approx(u_share));
  CHECK(ShareOf(*apart.flow_area_mm2, "K-factor") == Approx(1.25 * u_share));
  // What k does not owe to the meter stays: 0.5 % of a loss of a quarter of the drop, and half of that.
  CHECK(ShareOf(*one.flow_area_mm2, "line loss") == Approx(0.005 * 0.25 * 0.5));
  CHECK(one.flow_area_mm2->u < apart.flow_area_mm2->u);
  // The try: pulses 1 % too many in both.
  src::Rig off = rig;
  off.line_loss->k_per_m4 = k / (1.01 * 1.01);
  const src::PointDischarge tried = ComputeDischarge(off, pulses(1.01)).points[1];
  CHECK(tried.flow_area_mm2->value / one.flow_area_mm2->value - 1.0 == Approx(u_share).epsilon(1e-6));
  CHECK(tried.pressure_bar->value == Approx(one.pressure_bar->value).epsilon(1e-9));
  // Another meter's k is its own.
  rig.line_loss->meter = "k_factor_per_l 19000";
  CHECK(ComputeDischarge(rig, pulses(1.0)).points[1].flow_area_mm2->u == Approx(apart.flow_area_mm2->u));
  // The sensor likewise: what it reads 0.5 % high is 0.5 % of the drop, line or no line.
  src::LineLossFile by_sensor{k, 0.005 * k, 5.0, "", ""};
  by_sensor.sensor = "a file's hash";
  by_sensor.k_share_by_sensor = 0.005;
  rig.line_loss = by_sensor;
  rig.calibrations.push_back({src::kPressureKey, "pressure.toml", "a file's hash"});
  const src::PointDischarge sensed = ComputeDischarge(rig, pulses(1.0)).points[1];
  CHECK(ShareOf(*sensed.pressure_bar, "pressure sensor") == Approx(0.005).epsilon(1e-6));
  CHECK(ShareOf(*sensed.pressure_bar, "line loss") == Approx(0.0).margin(1e-9));
}

TEST_CASE("K follows the rate of each point, where one K for all would bend the law", "[src][calibrated]") {
  const auto true_k = [](double hz) { return 20000.0 * (1.0 + 0.03 * (hz / 600.0 - 1.0)); };
  std::vector<calib::MeterRun> runs;
  for (const double hz : {200.0, 400.0, 600.0, 800.0})
    for (const double off : {-1e-5, 1e-5}) runs.push_back({hz, 0.0, true_k(hz) * (1.0 + off), 0.0});
  src::Rig rig = TankRig();
  rig.stand.tap = src::PressureTap::kElement;
  std::vector<src::PointReading> readings;
  for (const double bar : {2.0, 4.0, 6.0, 9.0}) {
    const double litres_s = 1e3 * TrueFlowM3S(bar, 0.0);
    double hz = 20000.0 * litres_s;
    for (int i = 0; i < 50; ++i) hz = true_k(hz) * litres_s;
    readings.push_back(Reading(bar, hz, src::FlowKind::kPulseHz));
  }
  CHECK_THROWS_WITH(ComputeDischarge(rig, readings), Contains("calibration"));
  rig.meter = MeterOf(runs, 0.001);
  const src::Discharge result = ComputeDischarge(rig, readings);
  for (const src::PointDischarge& point : result.points)
    CHECK(point.flow_area_mm2->value == Approx(kAreaMm2).epsilon(1e-4));
  CHECK(ShareOf(*result.law->flow_area_mm2, "meter calibration") == Approx(0.001).epsilon(0.01));
  CHECK_FALSE(Has(result.flags, "meter_out_of_range"));
  rig.meter.reset();
  rig.k_factor_per_l = calib::Stated{20000.0, 20.0, false, false};
  CHECK(std::abs(ComputeDischarge(rig, readings).law->exponent->value - 0.5) > 0.005);
}

TEST_CASE("a meter or sensor that is used beyond what it was calibrated at is flagged at that point",
          "[src][calibrated]") {
  src::Rig rig = TankRig();
  rig.stand.tap = src::PressureTap::kElement;
  std::vector<calib::MeterRun> runs;
  for (const double hz : {200.0, 300.0, 400.0}) runs.push_back({hz, 0.0, 20000.0 + 0.01 * hz, 1.0});
  rig.meter = MeterOf(runs, 0.001);
  std::vector<calib::SensorReading> against;
  for (const double bar : {0.0, 2.0, 4.0, 2.0, 0.0}) against.push_back({bar, bar, 0.0, 0.001});
  rig.pressure_calibration = src::PressureFile{FitPressureSensor(against, 0.001)->sensor, false, "", ""};
  const src::Discharge result = ComputeDischarge(
      rig, {Reading(3.0, 300.0, src::FlowKind::kPulseHz), Reading(6.0, 450.0, src::FlowKind::kPulseHz)});
  int flags = 0;
  for (const calib::Flag& flag : result.flags) {
    if (flag.code != "meter_out_of_range" && flag.code != "pressure_out_of_range") continue;
    ++flags;
    CHECK(flag.point == 1);
  }
  CHECK(flags == 2);
}

TEST_CASE("a calibration counts until its last day", "[src][calibrated]") {
  src::Rig rig = TankRig();
  rig.line_loss = src::LineLossFile{1e9, 1e7, 5.0, "2031-05-04", "2032-05-04"};
  const auto flags_on = [&](const std::optional<std::string>& day) {
    std::vector<calib::Flag> flags;
    FlagExpired(rig, day, flags);
    return flags;
  };
  CHECK(flags_on("2032-05-04").empty());
  CHECK(flags_on(std::nullopt).empty());
  REQUIRE(flags_on("2032-05-05").size() == 1);
  CHECK_THAT(flags_on("2032-05-05")[0].message, Contains("2031-05-04") && Contains("2032-05-05"));
  rig.line_loss->expires.clear();
  CHECK(flags_on("2099-01-01").empty());
}

TEST_CASE("with everything calibrated the flow area is within 0.5 %, and its 95 % interval covers the truth",
          "[src][calibrated]") {
  // Stands that differ by zero (20 mbar), span (0.5 %), K (0.5 %, and 2 % from end to end), line (2 to 10 %),
  // each calibrated with errors of its own; then one sweep.
  std::mt19937 random(31);
  std::normal_distribution<double> gauss(0.0, 1.0);
  std::uniform_real_distribution<double> uniform(0.0, 1.0);
  int covered = 0, covered_unknown = 0, close = 0, flagged = 0;
  double squares = 0.0;
  constexpr int kStands = 300;
  for (int stand = 0; stand < kStands; ++stand) {
    const double zero = 0.02 * gauss(random), span = 1.0 + 0.005 * gauss(random);
    const double k_mean = 20000.0 * (1.0 + 0.005 * gauss(random)), k_slope = 0.01 * gauss(random);
    const auto true_k = [&](double hz) { return k_mean * (1.0 + k_slope * (hz / 500.0 - 1.0)); };
    const double line = KOfShare(0.02 + 0.08 * uniform(random));

    const double scale = 1.0 + 0.0005 * gauss(random), reference = 1.0 + 0.0005 * gauss(random);
    std::vector<calib::MeterRun> runs;
    for (const double hz : {200.0, 350.0, 500.0, 650.0, 800.0})
      for (int i = 0; i < 3; ++i)
        runs.push_back(
            {hz, 0.001 * hz, true_k(hz) * scale * (1.0 + 0.001 * gauss(random)), 0.001 * true_k(hz)});
    std::vector<calib::SensorReading> against;
    for (const double bar : {0.0, 2.5, 5.0, 7.5, 10.0, 7.5, 5.0, 2.5, 0.0})
      against.push_back({bar, zero + span * bar / reference + 0.003 * gauss(random), 0.0, 0.003});

    src::Rig rig = TankRig();
    rig.meter = MeterOf(runs, 0.0005);
    rig.pressure_calibration = src::PressureFile{FitPressureSensor(against, 0.0005)->sensor, false, "", ""};
    std::vector<src::PointReading> readings;
    for (const double bar : {2.0, 4.0, 6.0, 9.0}) {
      const double litres_s = 1e3 * TrueFlowM3S(bar, line);
      double hz = k_mean * litres_s;
      for (int i = 0; i < 50; ++i) hz = true_k(hz) * litres_s;
      src::PointReading reading = Reading(zero + span * bar + 0.003 * gauss(random),
                                          hz * (1.0 + 0.001 * gauss(random)), src::FlowKind::kPulseHz);
      reading.u_pressure_statistics_bar = 0.003;
      reading.u_flow_statistics = 0.001 * hz;
      readings.push_back(reading);
    }
    const src::Discharge unknown = ComputeDischarge(rig, readings);
    flagged += Has(unknown.flags, "line_loss_unknown") ? 1 : 0;
    const calib::Interval wide = calib::Interval95(*unknown.law->flow_area_mm2);
    covered_unknown += wide.lo <= kAreaMm2 && kAreaMm2 <= wide.hi ? 1 : 0;
    rig.line_loss = src::LineLossFile{line * (1.0 + 0.01 * gauss(random)), 0.01 * line, 10.0, "", ""};
    const src::Discharge known = ComputeDischarge(rig, readings);
    const calib::Quantity& area = *known.law->flow_area_mm2;
    const calib::Interval interval = calib::Interval95(area);
    covered += interval.lo <= kAreaMm2 && kAreaMm2 <= interval.hi ? 1 : 0;
    squares += std::pow((area.value - kAreaMm2) / area.u, 2);
    close += std::abs(area.value / kAreaMm2 - 1.0) < 0.005 ? 1 : 0;
    CHECK_FALSE(Has(known.flags, "exponent_off"));
  }
  CHECK(flagged == kStands);
  CHECK(close == kStands);
  CHECK(covered >= kStands * 93 / 100);
  CHECK(std::sqrt(squares / kStands) > 0.6);  // errors over their u: not wider than it need be
  CHECK(covered_unknown >= kStands * 95 / 100);
}
