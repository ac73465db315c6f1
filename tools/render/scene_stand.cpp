#include <algorithm>
#include <charconv>
#include <cmath>
#include <stdexcept>
#include <string>
#include <vector>

#include <fmt/format.h>

#include "render/scene_draw.h"

namespace conebook::render {
namespace {

// A rig value in error by a draw from its u, rounded as a person would write it.
Stated State(double truth, double u, Random& random, bool written, int decimals) {
  const double drawn = truth + u * random.Normal();
  if (!written) return {truth, std::nullopt, std::nullopt};
  const double unit = std::pow(10.0, decimals);
  return {truth, std::round(drawn * unit) / unit, u};
}

std::vector<double> Levels(const std::string& text) {
  std::vector<double> levels;
  std::size_t at = 0;
  while (at <= text.size()) {
    const std::size_t comma = std::min(text.find('/', at), text.size());
    double value = 0.0;
    const auto [end, error] = std::from_chars(text.data() + at, text.data() + comma, value);
    if (error != std::errc() || end != text.data() + comma || !(value > 0.0))
      throw std::invalid_argument(
          fmt::format("--set pressures_bar: expected levels such as 3/5/8, found \"{}\"", text));
    levels.push_back(value);
    at = comma + 1;
  }
  return levels;
}

}  // namespace

void SceneDraw::DrawPressures() {
  st.seed = Mix(seed ^ 0x57A4DULL);
  const double points_draw = stand.Unit();
  const int points = is_phone ? (points_draw < 0.3 ? 1 : points_draw < 0.7 ? 2 : 3) : 1;
  std::string levels;
  double level = stand.Uniform(2.0, points == 1 ? 9.0 : 4.5);
  std::vector<double> drawn_levels;
  for (int i = 0; i < 3; ++i) {
    if (i < points) drawn_levels.push_back(std::round(std::min(level, 9.0) * 100.0) / 100.0);
    level *= stand.Uniform(1.3, 1.55);
  }
  if (stand.Chance(0.2)) std::reverse(drawn_levels.begin(), drawn_levels.end());
  for (const double v : drawn_levels) levels += fmt::format("{}{:.2f}", levels.empty() ? "" : "/", v);
  levels = keys.Text("pressures_bar", levels, "levels in their order, such as 3/5/8");
  st.drops_bar = Levels(levels);
  const auto [lowest, highest] = std::minmax_element(st.drops_bar.begin(), st.drops_bar.end());
  lowest_bar = *lowest;
  highest_bar = *highest;
  s.reference_bar = lowest_bar;
  log_span = std::log(highest_bar / lowest_bar);
}

void SceneDraw::DrawStand() {
  st.temperature_c = keys.Number("temperature_c", stand.Uniform(8.0, 30.0), "");
  st.density_kg_m3 = WaterDensity(st.temperature_c);
  area_mm2 = std::numbers::pi * sp.exit_radius_mm * sp.exit_radius_mm;
  const double cd = keys.Number("cd", stand.Uniform(0.2, 0.55), "of the exit area");
  st.flow_area_mm2 = cd * area_mm2;
  s.velocity_part = keys.Number("velocity_part", stand.Uniform(0.72, 0.92), "of the ideal velocity");
  st.rise_s =
      keys.Number("rise_s", is_phone ? stand.LogUniform(0.015, 0.05) : stand.LogUniform(0.0004, 0.0012),
                  "pressure's time constant");
  st.overshoot =
      keys.Number("overshoot", stand.Chance(0.5) ? stand.Uniform(0.02, 0.12) : 0.0, "of a pressure step");
  st.wander = keys.Number("wander", stand.LogUniform(0.0002, 0.0012), "of the pressure, relative");
  st.rate_hz =
      keys.Number("log_rate_hz",
                  std::round(is_phone ? stand.LogUniform(10.0, 100.0) : stand.LogUniform(20.0, 100.0)), "");
  st.meter_lag_s = keys.Number("meter_lag_s", stand.LogUniform(0.02, 0.3), "first order");
  const double flow_draw = stand.Unit();
  s.log_format.flow = keys.Word("log_flow",
                                flow_draw < 0.45  ? "flow_lpm"
                                : flow_draw < 0.7 ? "flow_kg_s"
                                                  : "pulse_hz",
                                {"flow_lpm", "flow_kg_s", "pulse_hz"}, "");
  s.log_format.mapped =
      keys.Flag("log_mapped", stand.Chance(0.25), "own column names and units, by the rig's [log]");
  s.log_format.temperature = keys.Flag("log_temperature", stand.Chance(0.2), "temperature column");
  if (stand.Chance(0.15)) s.log_format.delimiter = ';';
  st.pressure_noise_bar = keys.Number("pressure_noise_bar", stand.LogUniform(0.001, 0.015), "");
  st.flow_noise = keys.Number("flow_noise", stand.LogUniform(0.001, 0.01), "relative");
  const double head_mm = stand.Chance(0.2) ? std::round(stand.Uniform(40.0, 400.0)) : 0.0;
  tap_mm = keys.Number("tap_above_exit_mm", head_mm, "");
  st.head_bar = 1e-5 * st.density_kg_m3 * 9.80665 * 1e-3 * tap_mm;
  // Enough pulses over a stretch that counting them is worth it.
  const double litres_s =
      st.flow_area_mm2 * 1e-6 * std::sqrt(2.0 * st.density_kg_m3 * 1e5 * lowest_bar) / st.density_kg_m3 * 1e3;
  st.k_factor_per_l = keys.Number("k_factor_per_l", std::round(stand.Uniform(500.0, 2500.0) / litres_s), "");
}

void SceneDraw::DrawTimes() {
  const double hold_extra = stand.Uniform(0.85, 1.1);
  const double before_s = stand.Uniform(1.2, 3.0);
  const double settle_s = 6.0 * st.rise_s;
  double t = before_s;
  double phone_s = 0.0;
  for (std::size_t i = 0; i < st.drops_bar.size(); ++i) {
    st.starts_s.push_back(t);
    const double hold =
        keys.Number(fmt::format("hold_{}_s", i + 1),
                    is_phone ? settle_s + 4.6 * st.meter_lag_s + hold_extra : stand.Uniform(2.0, 4.0),
                    "how long the point is held");
    t += hold;
    phone_s += hold;
  }
  const double drawn_tail_s = stand.Uniform(0.3, 1.5);
  const bool drawn_shuts = stand.Chance(0.5);
  const bool closes = keys.Flag("closes", false, "phone: the valve shuts before the clip ends");
  const double tail_s = closes ? 0.02 : drawn_tail_s;
  const bool shuts = closes || drawn_shuts;
  st.close_s = shuts ? t + tail_s : 1e9;
  st.end_s = t + tail_s + (shuts ? 1.5 : 0.0);
  const double pre_draw = stand.Unit();
  if (is_phone) {
    s.open_video_s = s.prespray ? 0.2 + 0.3 * pre_draw : -(settle_s + 0.1 + 0.15 * pre_draw);
    rec.frames = static_cast<int>(std::floor((phone_s + s.open_video_s - 0.02) * rec.fps));
    if (closes) rec.frames += static_cast<int>(std::ceil(0.7 * rec.fps));
  } else {
    rec.frames = 90 + 10 * stand.Index(6);
    if (s.clean && !options.set.contains("fps")) {
      // Nothing is wrong with a clean clip, so it is not too short either: a dozen lengths of the sheet pass.
      constexpr double kLengths = 12.0;
      const double axial_mm_s = 1e3 * SteadyInstant(s, lowest_bar, 0.0, 0.0).axial_m_s;
      rec.fps = std::min(rec.fps, std::round(rec.frames * axial_mm_s / (kLengths * sp.breakup_mm)));
    }
    s.open_video_s = s.prespray ? std::round(10.0 + 20.0 * pre_draw + 0.37) / rec.fps : -(0.5 + pre_draw);
  }
  s.open_video_s = keys.Number("open_video_s", s.open_video_s, "liquid leaves the exit at this video time");
  rec.frames = keys.Whole("frames", rec.frames, "");
  s.log_minus_video_s = st.starts_s.front() - s.open_video_s;
}

void SceneDraw::StateRig() {
  const Camera camera = MakeCamera(s.camera);
  s.shown_px_per_mm = camera.PxPerMmAtExit();
  Random rig(seed, "rig");
  // Drawn in any case, so that a clip with the rig measured differs from the one without in nothing else.
  const auto known = [this](double measured, double drawn) { return rig_measured ? measured : drawn; };
  const double scale_u = s.shown_px_per_mm * (s.clean ? 0.003 : known(0.003, rig.LogUniform(0.003, 0.01)));
  s.px_per_mm = State(s.shown_px_per_mm, scale_u, rig, true, 4);
  const bool exit_written = keys.Flag(
      "exit_written", rig.Chance(s.clean ? 1.0 : 0.85) || rig_measured || s.negative.starts_with("cut_off"),
      "rig gives exit_px");
  const double exit_u = s.clean ? 0.3 : known(0.3, rig.Uniform(0.3, 1.0));
  s.exit_x_px = State(s.camera.exit_px.x, exit_u, rig, exit_written, 2);
  s.exit_y_px = State(s.camera.exit_px.y, exit_u, rig, exit_written, 2);
  s.exit_diameter_mm = State(exit_mm, 0.0015 * exit_mm, rig, true, 4);
  s.axis_deg =
      State(s.camera.axis_deg, known(0.05, s.clean ? 0.1 : rig.Uniform(0.1, 0.4)), rig, axis_written, 2);
  s.tilt_deg =
      State(s.camera.tilt_deg, s.clean ? 0.3 : known(0.3, rig.Uniform(0.4, 1.5)), rig, tilt_written, 2);
  const double distance_u = s.camera.distance_mm * (s.clean ? 0.01 : known(0.01, rig.Uniform(0.01, 0.03)));
  s.distance_mm = State(s.camera.distance_mm, distance_u, rig,
                        keys.Flag("distance_written", rig.Chance(s.clean ? 1.0 : 0.75) || rig_measured,
                                  "rig gives distance_mm"),
                        1);
  s.focal_px = State(s.camera.focal_px, 0.01 * s.camera.focal_px, rig,
                     keys.Flag("focal_written", rig.Chance(0.25), "rig gives focal_px"), 1);
  s.temperature_c = State(st.temperature_c, 0.3, rig, true, 2);
  s.reference_area_mm2 = State(area_mm2, 0.003 * area_mm2, rig,
                               keys.Flag("area_written", rig.Chance(0.3), "rig gives reference_area_mm2"), 5);
  const double meter_percent = rig.Uniform(0.2, 0.5);
  const double pressure_percent = rig.Uniform(0.1, 0.4);
  st.meter_gain = 1.0 + 0.01 * meter_percent * rig.Normal();
  st.pressure_gain = 1.0 + 0.01 * pressure_percent * rig.Normal();
  s.meter_u_percent = meter_percent;
  s.pressure_u_percent = pressure_percent;
  s.meter_k = {st.k_factor_per_l, st.k_factor_per_l, std::nullopt};
  s.tap_above_exit_mm = State(tap_mm, 2.0, rig, tap_mm > 0.0, 0);
  const double sync_u = is_phone ? rig.LogUniform(0.005, 0.03) : 0.002;
  const bool sync_written = rig.Chance(0.5) || !s.prespray;
  s.sync_s =
      State(s.log_minus_video_s, sync_u, rig, keys.Flag("sync_written", sync_written, "rig gives [sync]"), 4);
  s.state_illumination = keys.Flag("state_illumination", rig.Chance(0.6), "rig says which light");
  const double rated =
      keys.Number("rated_bar", rig.Chance(0.8) ? std::ceil(highest_bar) + 4.0 : 0.0, "0: rig is silent");
  if (rated > 0.0) s.rated_bar = rated;
  const bool stations_written = rig.Chance(0.4) || !s.breakup_in_view;
  if (keys.Flag("stations_written", stations_written, "rig gives [stations]")) {
    const double shortest = sp.breakup_mm * std::exp(-s.breakup_power * log_span);
    const double far = std::min(
        {0.75 * shortest, 0.72 * depth_mm, 0.9 * side_mm / std::tan(std::max(widest_deg, 5.0) * kRadians)});
    const double near = std::min(std::max(1.0, 2.0 * exit_mm), 0.5 * far);
    s.near_mm = std::round(near * 100.0) / 100.0;
    s.far_mm = std::round(far * 100.0) / 100.0;
  }
}

}  // namespace conebook::render
