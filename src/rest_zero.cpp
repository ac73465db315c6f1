#include "src/rest_zero.h"

#include <algorithm>
#include <cmath>
#include <vector>

#include <vision/statistics.h>

#include "src/liquid_state.h"
#include "src/stand_sensors.h"

namespace conebook::src {
namespace {

constexpr double kLeastRestS = 0.5;
constexpr std::size_t kLeastRows = 5;
constexpr double kClearOfValveS = 0.2;
constexpr double kOnBar = 0.1, kOnShare = 0.03;  // as pressure_points.h tells shut from open
constexpr double kLargestZeroBar = 0.1, kLargestScatterBar = 0.02;
constexpr double kCoarsestBar = 0.05;  // a larger step is the pressure's own
constexpr double kLargestColumnBar = 0.01;
constexpr double kGravityMS2 = 9.80665;

double ColumnBar(const Rig& rig) {
  if (!rig.stand.tap_above_exit_mm) return 0.0;
  const double density = LiquidAt(rig, std::nullopt, 1e5).density_kg_m3.value;
  return std::abs(density * kGravityMS2 * 1e-3 * rig.stand.tap_above_exit_mm->value) / 1e5;
}

// Rows before the first one with pressure or flow, kept clear of it.
std::size_t RestRows(const StandLog& log) {
  const double highest = *std::max_element(log.pressure_bar.begin(), log.pressure_bar.end());
  const double on_bar = std::max(kOnBar, kOnShare * highest);
  const double most = log.flow.empty() ? 0.0 : *std::max_element(log.flow.begin(), log.flow.end());
  std::size_t on = 0;
  while (on < log.Rows() && log.pressure_bar[on] <= on_bar &&
         (most <= 0.0 || log.flow[on] <= kOnShare * most))
    ++on;
  if (on == log.Rows()) return 0;
  std::size_t rows = 0;
  while (rows < on && log.time_s[rows] <= log.time_s[on] - kClearOfValveS) ++rows;
  return rows;
}

}  // namespace

std::optional<RestZero> ZeroAtRest(const Rig& rig, const StandLog& log) {
  if (rig.stand.tap == PressureTap::kTank || ReadsAbsolute(rig) || log.Rows() == 0) return std::nullopt;
  const std::size_t rows = RestRows(log);
  if (rows < kLeastRows || log.time_s[rows - 1] - log.time_s[0] < kLeastRestS) return std::nullopt;
  const double column_bar = ColumnBar(rig);
  if (!(column_bar <= kLargestColumnBar)) return std::nullopt;
  double mean = 0.0, squares = 0.0, step = 0.0;
  const double n = static_cast<double>(rows);
  for (std::size_t i = 0; i < rows; ++i) mean += log.pressure_bar[i] / n;
  std::vector<double> off;
  for (std::size_t i = 0; i < rows; ++i) {
    off.push_back(log.pressure_bar[i] - mean);
    squares += off.back() * off.back();
  }
  for (std::size_t i = 1; i < log.Rows(); ++i) {
    const double change = std::abs(log.pressure_bar[i] - log.pressure_bar[i - 1]);
    if (change > 1e-9 && (step == 0.0 || change < step)) step = change;
  }
  const double sd = std::sqrt(squares / (n - 1.0));
  if (!(std::abs(mean) <= kLargestZeroBar) || !(sd <= kLargestScatterBar)) return std::nullopt;
  const double independent = std::max(1.0, vision::EffectiveSampleSize(off));
  // A sensor that never moves may be off by half a step; one that does averages its steps out.
  const double resolution = sd > 0.5 * step ? 0.0 : std::min(step, kCoarsestBar) / std::sqrt(12.0);
  RestZero rest;
  const double u = std::sqrt(sd * sd / independent + resolution * resolution + column_bar * column_bar / 3.0);
  rest.zero_bar = {mean, u, false, false};
  rest.t0_s = log.time_s[0];
  rest.t1_s = log.time_s[rows - 1];
  return rest;
}

Rig WithZeroAtRest(const Rig& rig, const StandLog& log) {
  Rig with = rig;
  if (with.pressure_zero_bar) return with;
  if (const auto rest = ZeroAtRest(rig, log)) {
    with.pressure_zero_bar = rest->zero_bar;
    with.zero_from_rest = true;
  }
  return with;
}

}  // namespace conebook::src
