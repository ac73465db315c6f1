// Blow-downs of known truth through the sweep: simulated_log.h, whose flow goes with the root of pressure and
// is seen through a first-order meter. That a first-order lag shows a slow change one time constant late is
// any control handbook's (from memory).
#include <cmath>
#include <random>

#include <catch2/catch.hpp>

#include <src/discharge.h>
#include <src/stand_sensors.h>
#include <src/sweep.h>
#include <src/sync.h>

#include "has_flag.h"
#include "simulated_log.h"

using namespace conebook;
using tests::LogPlan;
using tests::SimulatedLog;

using conebook::testing::Has;

namespace {

constexpr double kDensity = 1000.0, kLitresPerRootBar = 0.02, kPulsesPerLitre = 20000.0;
const double kAreaMm2 = 1e6 * 1e-3 * kLitresPerRootBar * std::sqrt(kDensity / 2e5);

src::Rig BlowDownRig() {
  src::Rig rig;
  rig.path = "RIG.toml";
  rig.element = "A07";
  rig.view.exit_diameter_mm = {2.0, 0.01, false, false};
  rig.stand.density_kg_m3 = calib::Stated{kDensity, 0.1, false, false};
  rig.stand.area_kind = "exit";
  rig.k_factor_per_l = calib::Stated{kPulsesPerLitre, 0.001 * kPulsesPerLitre, false, false};
  rig.pressure_u_percent = 0.1;
  rig.meter_u_percent = 0.0;
  return rig;
}

// From 8 bar to some 4 within a minute: up to 1.5 % a second.
LogPlan BlowDown(double lag_s, bool pulses, unsigned seed) {
  LogPlan plan;
  plan.level_bar = {8.0};
  plan.duration_s = {60.0};
  plan.drift_per_s = -0.008;
  plan.meter_lag_s = lag_s;
  plan.noise_share = 0.002;
  plan.flow_per_root_bar = kLitresPerRootBar;
  plan.pulses_per_unit = pulses ? kPulsesPerLitre : 0.0;
  plan.seed = seed;
  return plan;
}

src::StandLog LogOf(const SimulatedLog& from, bool pulses, double k_error = 0.0, double span_error = 0.0) {
  src::StandLog log;
  log.path = "LOG.csv";
  log.time_s = from.time_s;
  log.pressure_bar = from.pressure_bar;
  log.flow = from.flow;
  for (double& flow : log.flow) flow *= 1.0 + k_error;
  for (double& bar : log.pressure_bar) bar *= 1.0 + span_error;
  log.flow_kind = pulses ? src::FlowKind::kPulseHz : src::FlowKind::kVolumeLS;
  return log;
}

void StateLag(src::Rig& rig, double lag_s) {
  src::TomlNode value;
  value.kind = src::TomlNode::Kind::kNumber;
  value.number = lag_s;
  SetValue(rig.document, "meter", "lag_s", value);
}

double MeanError(const std::vector<src::PointDischarge>& points) {
  double sum = 0.0;
  for (const src::PointDischarge& point : points) sum += point.flow_area_mm2->value / kAreaMm2 - 1.0;
  return sum / static_cast<double>(points.size());
}

}  // namespace

TEST_CASE("every bin of a blow-down gives the element's flow area, and its interval holds", "[src][sweep]") {
  std::mt19937 random(17);
  std::normal_distribution<double> gauss(0.0, 0.001);
  std::uniform_real_distribution<double> lag(0.02, 0.19);
  int bins = 0, held = 0, found = 0, close = 0;
  double squares = 0.0;
  constexpr int kLogs = 60;
  for (int i = 0; i < kLogs; ++i) {
    const bool pulses = i % 2 == 0;
    const double lag_s = lag(random);
    LogPlan plan = BlowDown(lag_s, pulses, static_cast<unsigned>(100 + i));
    plan.rate_hz = i % 4 < 2 ? 50.0 : 10.0;
    const src::StandLog log = LogOf(Simulate(plan), pulses, gauss(random), gauss(random));
    src::Rig rig = BlowDownRig();
    if (!pulses) {
      rig.k_factor_per_l.reset();
      rig.meter_u_percent = 0.1;
    }
    const src::Sweep sweep = ReadSweep(rig, log, log.pressure_bar);
    CAPTURE(i, lag_s, sweep.lag.lag_s, sweep.lag.u_lag_s);
    REQUIRE(sweep.bins.size() >= 5);
    found += std::abs(sweep.lag.lag_s - lag_s) <= 2.0 * sweep.lag.u_lag_s ? 1 : 0;
    const src::Discharge result = ComputeDischarge(rig, sweep.readings);
    for (std::size_t k = 0; k < sweep.bins.size(); ++k) {
      const src::SteadyStretch& bin = sweep.bins[k];
      CHECK(std::abs(bin.drift_share) < 0.13);
      if (k > 0) CHECK(bin.first > sweep.bins[k - 1].last);
      const calib::Quantity& area = *result.points[k].flow_area_mm2;
      const calib::Interval interval = calib::Interval95(area);
      held += interval.lo <= kAreaMm2 && kAreaMm2 <= interval.hi ? 1 : 0;
      squares += std::pow((area.value - kAreaMm2) / area.u, 2);
      close += std::abs(area.value / kAreaMm2 - 1.0) < 0.005 ? 1 : 0;
      ++bins;
    }
  }
  CAPTURE(bins, held, found, close, squares);
  CHECK(found >= kLogs * 9 / 10);
  CHECK(close == bins);
  // A log's bins share K and span: 60 draws, of which 95 % +- 3 % hold.
  CHECK(held >= bins * 90 / 100);
  CHECK(std::sqrt(squares / bins) > 0.5);  // and is not much wider than it need be
}

TEST_CASE("what the meter shows late is put back: left in, it is half the rate times the lag",
          "[src][sweep]") {
  const double lag_s = 0.18;
  const src::StandLog log = LogOf(Simulate(BlowDown(lag_s, true, 3)), true);
  src::Rig rig = BlowDownRig();
  StateLag(rig, lag_s);
  const src::Sweep right = ReadSweep(rig, log, log.pressure_bar);
  StateLag(rig, 1e-6);
  const src::Sweep left = ReadSweep(rig, log, log.pressure_bar);
  CHECK(right.lag.lag_s == lag_s);
  CHECK(right.lag.u_lag_s == Approx(0.2 * lag_s));
  CHECK(std::abs(MeanError(ComputeDischarge(rig, right.readings).points)) < 4e-4);
  // 1.1 % a second on average.
  const double shown = MeanError(ComputeDischarge(rig, left.readings).points);
  CHECK(shown == Approx(0.5 * 0.011 * lag_s).margin(4e-4));
}

TEST_CASE("bins whose rate times the lag is above 0.3 % are refused, the others stay", "[src][sweep]") {
  // The pressure falls by 0.064 bar a second: 0.8 % of 8 bar, 1.5 % of 4.2 bar.
  const src::StandLog log = LogOf(Simulate(BlowDown(0.25, true, 4)), true);
  src::Rig rig = BlowDownRig();
  StateLag(rig, 0.25);
  const src::Sweep some = ReadSweep(rig, log, log.pressure_bar);
  CHECK(Has(some.flags, "sweep_too_fast"));
  REQUIRE(some.bins.size() >= 3);
  for (const src::SteadyStretch& bin : some.bins)
    CHECK(0.25 * std::abs(bin.drift_share) / (bin.t1_s - bin.t0_s) <= 0.003);
  CHECK(some.bins.back().mean_bar > 0.064 * 0.25 / 0.003 - 0.2);
  StateLag(rig, 0.6);
  const src::Sweep none = ReadSweep(rig, log, log.pressure_bar);
  CHECK(none.bins.empty());
  CHECK(Has(none.flags, "sweep_too_fast"));
}

TEST_CASE("a bin in which the valve moves is left out", "[src][sweep]") {
  src::StandLog log = LogOf(Simulate(BlowDown(0.05, false, 5)), false);
  src::Rig rig = BlowDownRig();
  rig.k_factor_per_l.reset();
  const std::size_t whole = ReadSweep(rig, log, log.pressure_bar).bins.size();
  for (std::size_t i = 0; i < log.Rows(); ++i)
    if (log.time_s[i] > 20.0 && log.time_s[i] < 23.0) log.flow[i] *= 0.8;
  const src::Sweep sweep = ReadSweep(rig, log, log.pressure_bar);
  CHECK(Has(sweep.flags, "sweep_law_breaks"));
  CHECK(sweep.bins.size() < whole);
  for (const src::SteadyStretch& bin : sweep.bins) CHECK((bin.t1_s < 23.1 || bin.t0_s > 19.9));
}

TEST_CASE("a tank's tap shows no opening: the lag is assumed, said, and in u", "[src][sweep]") {
  src::StandLog log = LogOf(Simulate(BlowDown(0.1, true, 6)), true);
  src::Rig rig = BlowDownRig();
  rig.stand.tap = src::PressureTap::kTank;
  const src::Sweep sweep = ReadSweep(rig, log, log.pressure_bar);
  CHECK(sweep.lag.from == src::MeterLag::From::kAssumed);
  CHECK(sweep.lag.u_lag_s == Approx(0.14 / std::sqrt(3.0)));
  REQUIRE_FALSE(sweep.readings.empty());
  CHECK(sweep.readings[0].flow_also.front().source.find("assumed") != std::string::npos);
}

TEST_CASE("the spray of a bin is of frames within it, kept clear by what is not known of the tie",
          "[src][sweep]") {
  const src::StandLog log = LogOf(Simulate(BlowDown(0.1, true, 7)), true);
  const src::Sweep sweep = ReadSweep(BlowDownRig(), log, log.pressure_bar);
  src::Sync sync;
  sync.log_minus_video_s = {0.75, 0.1, 1e9, {}};
  vision::ClipFacts clip;
  clip.duration_s = 70.0;
  clip.spray_start_s = 0.5;
  REQUIRE_FALSE(sweep.bins.empty());
  for (const src::SteadyStretch& bin : sweep.bins) {
    const auto window = VideoWindow(bin, sync, clip, 0.02, {0.5, 70.0});
    REQUIRE(window);
    CHECK(window->t0_s + 0.75 >= bin.t0_s + 0.2);
    CHECK(window->t1_s + 0.75 <= bin.t1_s - 0.2);
  }
}

TEST_CASE("a regulated log is no blow-down to be cut up: one bin a level at most", "[src][sweep]") {
  LogPlan plan;
  plan.level_bar = {6.0};
  plan.duration_s = {10.0};
  plan.flow_per_root_bar = kLitresPerRootBar;
  const src::StandLog log = LogOf(Simulate(plan), false);
  src::Rig rig = BlowDownRig();
  rig.k_factor_per_l.reset();
  const src::Sweep sweep = ReadSweep(rig, log, log.pressure_bar);
  REQUIRE(sweep.bins.size() == 1);
  CHECK(sweep.bins[0].mean_bar == Approx(6.0).epsilon(0.002));
}
