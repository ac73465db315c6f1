#include "src/stand_traps.h"

#include <algorithm>
#include <cmath>
#include <complex>
#include <optional>
#include <string>

#include <fmt/core.h>

#include "src/liquid_state.h"

namespace conebook::src {
namespace {

using calib::Severity;

constexpr double kLeastSwing = 0.01;  // half peak to peak over the mean
constexpr double kSwingShare = 0.5;   // of the variance, in one line of the spectrum and its neighbours
constexpr int kLeastPeriods = 5;
constexpr std::size_t kMostRows = 2000;  // of a spectrum
constexpr double kLeastDrift = 0.01;     // of Cd within a point
constexpr double kDriftSigmas = 4.0;
constexpr double kLeastDriftS = 1.5;
constexpr int kDriftBins = 10;
constexpr double kViscosityChange = 0.05;
constexpr double kTemperatureChangeC = 3.0;  // where the viscosity is not known
constexpr double kGasBar = 0.5;              // 0.5 bar above ambient: where pressure equipment rules begin

struct Rows {
  std::size_t first = 0, last = 0;  // both inside
  std::size_t Count() const { return last - first + 1; }
};

std::optional<Rows> RowsOf(const StandLog& log, const PointReading& reading) {
  if (!reading.log_t0_s || !reading.log_t1_s) return std::nullopt;
  const auto first = std::lower_bound(log.time_s.begin(), log.time_s.end(), *reading.log_t0_s - 1e-9);
  const auto last = std::upper_bound(first, log.time_s.end(), *reading.log_t1_s + 1e-9);
  if (last - first < 8) return std::nullopt;
  return Rows{static_cast<std::size_t>(first - log.time_s.begin()),
              static_cast<std::size_t>(last - log.time_s.begin()) - 1};
}

struct Swing {
  double hz = 0.0, amplitude = 0.0;  // half peak to peak, unit of the values
};

// The strongest line of the spectrum of values less their straight line, if it holds most of the variance.
std::optional<Swing> FindSwing(const std::vector<double>& t, const std::vector<double>& values, Rows rows) {
  const std::size_t n = std::min(rows.Count(), kMostRows);
  double mean_t = 0.0, mean = 0.0, tt = 0.0, tv = 0.0;
  for (std::size_t i = 0; i < n; ++i) {
    mean_t += t[rows.first + i] / static_cast<double>(n);
    mean += values[rows.first + i] / static_cast<double>(n);
  }
  for (std::size_t i = 0; i < n; ++i) {
    const double dt = t[rows.first + i] - mean_t;
    tt += dt * dt;
    tv += dt * (values[rows.first + i] - mean);
  }
  std::vector<double> off(n);
  double squares = 0.0;
  for (std::size_t i = 0; i < n; ++i) {
    off[i] = values[rows.first + i] - mean - tv / tt * (t[rows.first + i] - mean_t);
    squares += off[i] * off[i];
  }
  if (!(squares > 0.0)) return std::nullopt;
  // Sums over real times: rows need not be even. Frequencies: whole periods over the stretch, up to a third
  // of the rows, where a line is still told from noise.
  const double span_s = t[rows.first + n - 1] - t[rows.first];
  const int most = static_cast<int>(n) / 3;
  std::vector<double> power(static_cast<std::size_t>(std::max(0, most)) + 1, 0.0);
  for (int k = 1; k <= most; ++k) {
    std::complex<double> sum = 0.0;
    const double step = 2.0 * 3.141592653589793 * k / span_s;
    for (std::size_t i = 0; i < n; ++i) sum += std::polar(off[i], step * (t[rows.first + i] - t[rows.first]));
    power[static_cast<std::size_t>(k)] = 2.0 * std::norm(sum) / static_cast<double>(n);
  }
  const auto top = std::max_element(power.begin(), power.end());
  const auto k = top - power.begin();
  if (k < kLeastPeriods) return std::nullopt;
  double held = *top;
  if (k > 1) held += *(top - 1);
  if (top + 1 != power.end()) held += *(top + 1);
  if (held < kSwingShare * squares) return std::nullopt;
  return Swing{static_cast<double>(k) / span_s, std::sqrt(2.0 * held / static_cast<double>(n))};
}

// Change of flow over the root of pressure from end to end of a straight line through bins, as a share, with
// its standard uncertainty.
std::optional<std::pair<double, double>> Drift(const StandLog& log, Rows rows) {
  const std::size_t a_bin = rows.Count() / kDriftBins;
  if (a_bin < 2) return std::nullopt;
  std::vector<double> x, y;
  for (int b = 0; b < kDriftBins; ++b) {
    double flow = 0.0, root = 0.0;
    const std::size_t from = rows.first + static_cast<std::size_t>(b) * a_bin;
    for (std::size_t i = from; i < from + a_bin; ++i) {
      flow += log.flow[i];
      root += std::sqrt(std::max(0.0, log.pressure_bar[i]));
    }
    if (!(root > 0.0)) return std::nullopt;
    x.push_back((b - 0.5 * (kDriftBins - 1)) / (kDriftBins - 1));
    y.push_back(flow / root);
  }
  double mean = 0.0, xx = 0.0, xy = 0.0, residual = 0.0;
  for (const double value : y) mean += value / kDriftBins;
  for (int b = 0; b < kDriftBins; ++b) {
    xx += x[static_cast<std::size_t>(b)] * x[static_cast<std::size_t>(b)];
    xy += x[static_cast<std::size_t>(b)] * (y[static_cast<std::size_t>(b)] - mean);
  }
  if (!(mean > 0.0)) return std::nullopt;
  for (int b = 0; b < kDriftBins; ++b) {
    const double off = y[static_cast<std::size_t>(b)] - mean - xy / xx * x[static_cast<std::size_t>(b)];
    residual += off * off;
  }
  return std::pair(xy / xx / mean, std::sqrt(residual / (kDriftBins - 2) / xx) / mean);
}

}  // namespace

void FlagPulsation(const StandLog& log, const std::vector<PointReading>& readings,
                   std::vector<calib::Flag>& flags) {
  for (std::size_t k = 0; k < readings.size(); ++k) {
    const auto rows = RowsOf(log, readings[k]);
    if (!rows) continue;
    const auto swing = FindSwing(log.time_s, log.pressure_bar, *rows);
    const double mean = readings[k].pressure_bar;
    if (!swing || !(swing->amplitude > kLeastSwing * mean)) continue;
    flags.push_back(
        {"pressure_pulsates", Severity::kWarn, static_cast<int>(k), std::string("pressure_bar"),
         fmt::format("the pressure swings by {:.1f} % either way at {:.3g} Hz (or faster, if the log is too "
                     "slow to tell)",
                     100.0 * swing->amplitude / mean, swing->hz),
         "a pump needs an accumulator, or the liquid a gas-pressurised tank; meter, sheet and drops follow "
         "the "
         "swing"});
  }
}

void FlagDriftingCd(const StandLog& log, const std::vector<PointReading>& readings,
                    std::vector<calib::Flag>& flags) {
  if (log.flow.empty()) return;
  for (std::size_t k = 0; k < readings.size(); ++k) {
    if (readings[k].flow_extrapolated) continue;  // what rises is the meter's reading
    const auto rows = RowsOf(log, readings[k]);
    if (!rows || log.time_s[rows->last] - log.time_s[rows->first] < kLeastDriftS) continue;
    const auto drift = Drift(log, *rows);
    if (!drift) continue;
    const auto [change, u] = *drift;
    if (std::abs(change) <= kLeastDrift || std::abs(change) <= kDriftSigmas * u) continue;
    flags.push_back(
        {"cd_drifts", Severity::kWarn, static_cast<int>(k), std::string("cd"),
         fmt::format(
             "flow over the root of pressure {} by {:.1f} % within the point (u {:.1f} %), though the "
             "element is the same",
             change > 0.0 ? "rises" : "falls", 100.0 * std::abs(change), 100.0 * u),
         "look for gas coming out of solution at meter or inlets (the pressurant dissolves: keep it off the "
         "liquid, or let no liquid stand under pressure), a line that still fills, or dirt"});
  }
}

void FlagTemperatureDrift(const Rig& rig, const std::vector<PointReading>& readings,
                          std::vector<calib::Flag>& flags) {
  std::optional<double> lowest, highest;
  for (const PointReading& reading : readings) {
    if (!reading.temperature_c) continue;
    lowest = std::min(lowest.value_or(*reading.temperature_c), *reading.temperature_c);
    highest = std::max(highest.value_or(*reading.temperature_c), *reading.temperature_c);
  }
  if (!lowest) return;
  const auto cold = ViscosityAt(rig, *lowest), warm = ViscosityAt(rig, *highest);
  const double change = cold && warm ? *cold / *warm - 1.0 : 0.0;
  if (cold && warm ? change < kViscosityChange : *highest - *lowest < kTemperatureChangeC) return;
  flags.push_back(
      {"temperature_drifts", Severity::kWarn, std::nullopt, std::string("cd"),
       fmt::format(
           "the liquid goes from {:.1f} to {:.1f} C over the points{}: Cd, the meter's K and the cone "
           "angle may move with it",
           *lowest, *highest,
           cold && warm ? fmt::format(", which changes its viscosity by {:.0f} %", 100.0 * change)
                        : std::string()),
       "let liquid, tank and line come to one temperature before the test, or flow the points in both "
       "directions"});
}

void FlagDangers(const Rig& rig, double highest_bar, std::vector<calib::Flag>& flags) {
  const std::string liquid = rig.stand.liquid.value_or("");
  if (liquid == "ethanol" || liquid == "isopropanol" || liquid == "kerosene") {
    flags.push_back(
        {"flammable_mist", Severity::kInfo, std::nullopt, std::nullopt,
         fmt::format("{} is flammable, and its spray is an explosive mist, below its flash point, too",
                     liquid),
         "no ignition source, earthed parts, air that is drawn off, and nobody near; local codes and "
         "licensed practice decide"});
  }
  if (rig.stand.tap == PressureTap::kTank && highest_bar > kGasBar) {
    flags.push_back(
        {"gas_over_liquid", Severity::kInfo, std::nullopt, std::nullopt,
         fmt::format("gas at up to {:.1f} bar over the liquid stores energy that liquid alone does not",
                     highest_bar),
         "a relief valve below the lowest rating, a shield, and no hands near while it is loaded; "
         "prove tank and hoses with liquid, not with gas; local codes and licensed practice decide"});
  }
}

}  // namespace conebook::src
