#include "render/stand.h"

#include <algorithm>
#include <cmath>
#include <numbers>

#include <fmt/format.h>

#include "render/random.h"

namespace conebook::render {
namespace {

// Response of a damped second-order system to a unit step; overshoot 0 gives the critically damped one.
double StepResponse(double t_s, double rise_s, double overshoot) {
  if (t_s <= 0.0) return 0.0;
  if (overshoot < 0.004) {
    const double x = 2.0 * t_s / rise_s;
    return 1.0 - (1.0 + x) * std::exp(-x);
  }
  const double l = std::log(overshoot);
  const double damping = -l / std::sqrt(std::numbers::pi * std::numbers::pi + l * l);
  const double natural = 1.0 / (rise_s * damping);
  const double ring = natural * std::sqrt(1.0 - damping * damping);
  return 1.0 -
         std::exp(-t_s / rise_s) *
             (std::cos(ring * t_s) + damping / std::sqrt(1.0 - damping * damping) * std::sin(ring * t_s));
}

}  // namespace

double WaterDensity(double celsius) {
  const double t = celsius;
  return (999.83952 + t * (16.945176 + t * (-7.9870401e-3 +
                                            t * (-46.170461e-6 + t * (105.56302e-9 - t * 280.54253e-12))))) /
         (1.0 + 16.879850e-3 * t);
}

Stand::Stand(const StandSetting& given) : setting(given) {}

double Stand::DropBar(double log_s) const {
  double drop = 0.0;
  double before = 0.0;
  for (std::size_t i = 0; i < setting.drops_bar.size(); ++i) {
    const double step = setting.drops_bar[i] - before;
    before = setting.drops_bar[i];
    drop += step * StepResponse(log_s - setting.starts_s[i], setting.rise_s, setting.overshoot);
  }
  const double shut_s = log_s - setting.close_s;
  if (shut_s > 0.0) drop *= std::exp(-shut_s / setting.rise_s);
  const double p1 = UnitFromBits(Mix(setting.seed + 11)) * 6.28;
  const double p2 = UnitFromBits(Mix(setting.seed + 12)) * 6.28;
  drop *= 1.0 + setting.wander * (0.6 * std::sin(1.9 * log_s + p1) + 0.4 * std::sin(7.3 * log_s + p2));
  return std::max(drop, 0.0);
}

double Stand::FlowKgS(double log_s) const {
  return setting.flow_area_mm2 * 1e-6 * std::sqrt(2.0 * setting.density_kg_m3 * 1e5 * DropBar(log_s));
}

std::vector<Stand::Steady> Stand::Points() const {
  std::vector<Steady> points;
  constexpr double kStep = 0.0005;
  for (std::size_t i = 0; i < setting.drops_bar.size(); ++i) {
    const double from = setting.starts_s[i];
    const double to =
        i + 1 < setting.starts_s.size() ? setting.starts_s[i + 1] : std::min(setting.close_s, setting.end_s);
    const double level = setting.drops_bar[i];
    double begin = to;
    while (begin - kStep > from && std::abs(DropBar(begin - kStep) - level) < 0.004 * level) begin -= kStep;
    Steady steady{begin, to, 0.0, 0.0};
    int n = 0;
    for (double t = begin + 0.5 * kStep; t < to; t += kStep, ++n) {
      steady.drop_bar += DropBar(t);
      steady.flow_kg_s += FlowKgS(t);
    }
    steady.drop_bar /= std::max(n, 1);
    steady.flow_kg_s /= std::max(n, 1);
    points.push_back(steady);
  }
  return points;
}

std::vector<Stand::Row> Stand::Log() const {
  Random random(setting.seed, "log");
  std::vector<Row> rows;
  constexpr double kStep = 0.0005;
  double metered = 0.0;  // kg/s, what the meter has got to
  double pulses = random.Unit();
  double counted = std::floor(pulses);
  double t = 0.0;
  const auto count = static_cast<std::int64_t>(setting.end_s * setting.rate_hz) + 1;
  const double temperature_phase = random.Uniform(0.0, 6.28);
  for (std::int64_t i = 0; i < count; ++i) {
    const double at = static_cast<double>(i) / setting.rate_hz;
    while (t < at) {
      const double step = std::min(kStep, at - t);
      metered += (FlowKgS(t + 0.5 * step) - metered) * -std::expm1(-step / setting.meter_lag_s);
      pulses += metered * setting.meter_gain / setting.density_kg_m3 * 1e3 * setting.k_factor_per_l * step;
      t += step;
    }
    Row row{};
    row.time_s = at;
    const double tap = DropBar(at) - (DropBar(at) > 0.02 ? setting.head_bar : 0.0);
    row.tap_bar = setting.pressure_gain * tap + setting.pressure_noise_bar * random.Normal();
    const double full = setting.flow_area_mm2 * 1e-6 *
                        std::sqrt(2.0 * setting.density_kg_m3 * 1e5 * setting.drops_bar.front());
    const double noise = random.Normal();
    row.flow_kg_s =
        metered * setting.meter_gain * (1.0 + setting.flow_noise * noise) + 0.001 * full * random.Normal();
    row.pulse_hz = (std::floor(pulses) - counted) * setting.rate_hz;
    counted = std::floor(pulses);
    row.temperature_c =
        setting.temperature_c + 0.1 * std::sin(0.5 * at + temperature_phase) + 0.03 * random.Normal();
    rows.push_back(row);
  }
  return rows;
}

std::string LogText(const Stand& stand, const LogFormat& format) {
  std::string out;
  const double density = stand.setting.density_kg_m3;
  const char d = format.delimiter;
  const bool pulses = format.flow == "pulse_hz";
  if (format.mapped) {
    out += "# invented stand, rendered\n";
    out += fmt::format("t_ms{0}valve{0}p_line_kpa{0}{1}", d, pulses ? "turbine_hz" : "mdot_g_s");
  } else {
    out += fmt::format("time_s{0}pressure_bar{0}{1}", d, format.flow);
  }
  if (format.temperature) out += fmt::format("{}{}", d, format.mapped ? "t_water" : "temperature_c");
  out += "\n";
  for (const Stand::Row& row : stand.Log()) {
    if (format.mapped) {
      const bool open = row.time_s >= stand.setting.starts_s.front() && row.time_s < stand.setting.close_s;
      out +=
          fmt::format("{1:.1f}{0}{2}{0}{3:.3f}{0}", d, 1e3 * row.time_s, open ? 1 : 0, 100.0 * row.tap_bar);
      out += pulses ? fmt::format("{:.3f}", row.pulse_hz) : fmt::format("{:.5f}", 1e3 * row.flow_kg_s);
    } else {
      out += fmt::format("{1:.4f}{0}{2:.5f}{0}", d, row.time_s, row.tap_bar);
      if (pulses) {
        out += fmt::format("{:.3f}", row.pulse_hz);
      } else if (format.flow == "flow_kg_s") {
        out += fmt::format("{:.5e}", row.flow_kg_s);
      } else {
        out += fmt::format("{:.5f}", row.flow_kg_s / density * 6e4);
      }
    }
    if (format.temperature) out += fmt::format("{}{:.2f}", d, row.temperature_c);
    out += "\n";
  }
  return out;
}

std::string LogMapping(const LogFormat& format) {
  if (!format.mapped && !format.temperature && format.delimiter == ',') return "";
  std::string out = "\n[log]\n";
  if (format.mapped) {
    out += "time = \"t_ms\"\ntime_unit = \"ms\"\npressure = \"p_line_kpa\"\npressure_unit = \"kpa\"\n";
    out += format.flow == "pulse_hz" ? "flow = \"turbine_hz\"\nflow_unit = \"pulse_hz\"\n"
                                     : "flow = \"mdot_g_s\"\nflow_unit = \"g_s\"\n";
  }
  if (format.temperature)
    out += format.mapped ? "temperature = \"t_water\"\n" : "temperature = \"temperature_c\"\n";
  if (format.delimiter != ',') out += fmt::format("delimiter = \"{}\"\n", format.delimiter);
  return out;
}

}  // namespace conebook::render
