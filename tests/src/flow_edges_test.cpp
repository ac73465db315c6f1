// Pressure points upstream of the valve, where the pressure stands while the valve is shut, while the line
// fills, and after the valve has shut again: only the flow tells. Truth is drawn.
#include <algorithm>
#include <cmath>
#include <random>

#include <catch2/catch.hpp>

#include <src/flow_average.h>
#include <src/mean_noise.h>
#include <src/pressure_points.h>

using namespace conebook;

namespace {

struct TankDay {
  double rate_hz = 50.0, lag_s = 0.1, fill_s = 0.0, fill_pressure = 1.0;
  double pulses_per_unit = 0.0;
  std::vector<double> level_bar{3.0};
  double hold_s = 4.0;
  double dip_share = 0.0, dip_s = 0.2;  // in the middle of every hold
};

struct Log {
  std::vector<double> time_s, pressure_bar, flow;
  std::vector<double> open_s, shut_s;  // liquid at the element; valve shut
};

// The tank stands at the first level before the valve opens, and at the last after it has shut.
Log Draw(const TankDay& day, unsigned seed) {
  std::mt19937 random(seed);
  std::normal_distribution<double> gauss(0.0, 1.0);
  Log log;
  const double opens_s = 2.0 + 0.01 * static_cast<double>(seed % 10);
  std::vector<double> starts_s{opens_s + day.fill_s};
  for (std::size_t k = 1; k < day.level_bar.size(); ++k) starts_s.push_back(starts_s.back() + day.hold_s);
  const double shuts_s = starts_s.back() + day.hold_s;
  for (std::size_t k = 0; k < starts_s.size(); ++k) {
    log.open_s.push_back(starts_s[k]);
    log.shut_s.push_back(k + 1 < starts_s.size() ? starts_s[k + 1] : shuts_s);
  }
  double meter = 0.0, pulses = 0.0, counted = 0.0, next_s = 0.0, bar = day.level_bar.front();
  constexpr double kFineS = 0.001;
  for (double t = 0.0; t < shuts_s + 2.0; t += kFineS) {
    std::size_t k = 0;
    while (k + 1 < starts_s.size() && t >= starts_s[k + 1]) ++k;
    const bool filling = t >= opens_s && t < starts_s[0];
    double target = day.level_bar[k] * (filling ? day.fill_pressure : 1.0);
    const double middle_s = starts_s[k] + 0.5 * day.hold_s;
    if (t >= starts_s[0] && t < shuts_s && std::abs(t - middle_s) < 0.5 * day.dip_s)
      target *= 1.0 - day.dip_share;
    bar += (target - bar) * (1.0 - std::exp(-kFineS / 0.03));
    const bool open = t >= opens_s && t < shuts_s;
    const double flow = open ? (filling ? 2.0 : 1.0) * std::sqrt(bar) : 0.0;
    meter += (flow - meter) * (1.0 - std::exp(-kFineS / day.lag_s));
    pulses += meter * day.pulses_per_unit * kFineS;
    if (t < next_s) continue;
    log.time_s.push_back(next_s);
    log.pressure_bar.push_back(bar + 0.004 * gauss(random));
    if (day.pulses_per_unit > 0.0) {
      log.flow.push_back((std::floor(pulses) - counted) * day.rate_hz);
      counted = std::floor(pulses);
    } else {
      log.flow.push_back(meter * (1.0 + 0.003 * gauss(random)));
    }
    next_s += 1.0 / day.rate_hz;
  }
  return log;
}

std::vector<src::SteadyStretch> Found(const Log& log) {
  return src::FindSteadyStretches(log.time_s, log.pressure_bar, log.flow);
}

}  // namespace

TEST_CASE("a tank's steady pressure counts only while liquid flows through the element",
          "[src][flow_edges]") {
  TankDay day;
  day.pulses_per_unit = GENERATE(0.0, 150.0);
  day.rate_hz = GENERATE(10.0, 20.0, 100.0);
  day.lag_s = GENERATE(0.02, 0.3);
  day.fill_s = GENERATE(0.0, 1.2);
  day.fill_pressure = GENERATE(0.9, 1.0);
  for (unsigned seed = 1; seed <= 3; ++seed) {
    const Log log = Draw(day, seed);
    const auto found = Found(log);
    INFO("rate " << day.rate_hz << " lag " << day.lag_s << " fill " << day.fill_s << " at "
                 << day.fill_pressure << " pulses " << day.pulses_per_unit << " seed " << seed);
    REQUIRE(found.size() == 1);
    // A row before the liquid is there, none after the valve has moved.
    CHECK(found[0].t0_s >= log.open_s[0] - 1.5 / day.rate_hz);
    CHECK(found[0].t1_s <= log.shut_s[0]);
    CHECK(found[0].t1_s - found[0].t0_s >= 0.6 * day.hold_s);
  }
}

TEST_CASE(
    "the flow of a tank's points is the element's, without the filling line and the meter's way up and down",
    "[src][flow_edges]") {
  TankDay day;
  day.level_bar = {3.0, 5.0, 7.0};
  day.fill_s = 0.8;
  day.lag_s = 0.15;
  day.pulses_per_unit = 150.0;
  day.rate_hz = 100.0;
  const Log log = Draw(day, 4);
  const auto found = Found(log);
  REQUIRE(found.size() == 3);
  const auto flow = src::AverageFlow(log.time_s, log.flow, true, found);
  for (std::size_t k = 0; k < 3; ++k) {
    const double truth_hz = day.pulses_per_unit * std::sqrt(day.level_bar[k]);
    // A pulse in the count, and what is left of the approach.
    CHECK(flow.points[k].mean == Approx(truth_hz).epsilon(0.003));
  }
}

TEST_CASE("a short dip leaves one point, however slow the log", "[src][flow_edges]") {
  TankDay day;
  day.rate_hz = GENERATE(10.0, 20.0, 50.0, 100.0);
  day.dip_share = GENERATE(0.1, 0.3);
  day.level_bar = {3.0, 4.0};
  for (unsigned seed = 1; seed <= 5; ++seed) {
    INFO("rate " << day.rate_hz << " dip " << day.dip_share << " seed " << seed);
    CHECK(Found(Draw(day, seed)).size() == 2);
  }
}

TEST_CASE("a regulator that stops for a moment on its way makes no point of its own", "[src][flow_edges]") {
  std::vector<double> t, p, q;
  std::mt19937 random(3);
  std::normal_distribution<double> gauss(0.0, 0.004);
  for (int i = 0; i < 500; ++i) {
    t.push_back(0.01 * i);
    const double bar = t.back() < 1.0 ? 0.0 : t.back() < 1.5 ? 5.2 : 5.0;
    p.push_back(bar + gauss(random));
    q.push_back(std::sqrt(bar));
  }
  const auto found = src::FindSteadyStretches(t, p, q);
  REQUIRE(found.size() == 1);
  CHECK(found[0].t0_s >= 1.45);
  CHECK(found[0].mean_bar == Approx(5.0).margin(0.005));
}

TEST_CASE("no two stretches share a row", "[src][flow_edges]") {
  std::mt19937 random(11);
  std::normal_distribution<double> gauss(0.0, 1.0);
  for (int log = 0; log < 30; ++log) {
    std::vector<double> t, p, q;
    double wander = 0.0;
    for (int i = 0; i < 600; ++i) {
      t.push_back(0.02 * i);
      wander += -wander * 0.04 + 0.02 * gauss(random);
      p.push_back(t.back() < 1.0 ? 0.0 : 1.5 + wander + 0.006 * gauss(random));
      q.push_back(t.back() < 1.0 ? 0.0 : std::sqrt(1.5 + wander));
    }
    const auto found = src::FindSteadyStretches(t, p, q);
    for (std::size_t k = 1; k < found.size(); ++k) CHECK(found[k].first > found[k - 1].last);
  }
}

TEST_CASE("noise counts in the u of a mean, what the pressure itself does does not", "[src][mean_noise]") {
  std::mt19937 random(5);
  std::normal_distribution<double> gauss(0.0, 1.0);
  double squares = 0.0, u_squares = 0.0;
  constexpr int kSeries = 300, kRows = 200;
  for (int s = 0; s < kSeries; ++s) {
    std::vector<double> t, read;
    double wander = 0.0, truth = 0.0, mean = 0.0;
    for (int i = 0; i < kRows; ++i) {
      t.push_back(0.02 * i);
      wander +=
          -wander * 0.02 / 0.5 + 0.01 * std::sqrt(0.04 / 0.5) * gauss(random);  // half a second, 10 mbar
      const double bar = 5.0 + wander - 0.02 * t.back();
      read.push_back(bar + 0.005 * gauss(random));
      truth += bar / kRows;
      mean += read.back() / kRows;
    }
    squares += (mean - truth) * (mean - truth) / kSeries;
    u_squares += std::pow(src::NoiseOfMean(t, read, 0, kRows - 1).u, 2) / kSeries;
  }
  // White noise of 5 mbar in 200 rows: 0.35 mbar. Never less; wander within a twentieth of a second adds.
  CHECK(std::sqrt(squares) == Approx(0.005 / std::sqrt(kRows)).epsilon(0.15));
  CHECK(std::sqrt(u_squares) >= 0.9 * std::sqrt(squares));
  CHECK(std::sqrt(u_squares) <= 2.5 * std::sqrt(squares));
}

TEST_CASE("noise that a logger has smoothed is not taken for better known", "[src][mean_noise]") {
  std::mt19937 random(6);
  std::normal_distribution<double> gauss(0.0, 1.0);
  double squares = 0.0, u_squares = 0.0;
  constexpr int kSeries = 300, kRows = 1000;
  for (int s = 0; s < kSeries; ++s) {
    std::vector<double> t, read;
    double smooth = 0.0, mean = 0.0;
    for (int i = 0; i < kRows; ++i) {
      t.push_back(0.002 * i);
      smooth += 0.2 * (gauss(random) - smooth);  // time constant of a hundredth of a second
      read.push_back(smooth);
      mean += smooth / kRows;
    }
    squares += mean * mean / kSeries;
    u_squares += std::pow(src::NoiseOfMean(t, read, 0, kRows - 1).u, 2) / kSeries;
  }
  CHECK(std::sqrt(u_squares) >= 0.9 * std::sqrt(squares));
}
