#include <algorithm>
#include <cmath>

#include <fmt/format.h>

#include "render/scene_draw.h"

namespace conebook::render {
namespace {

// Way from a point inside the picture to its border along a direction, px.
double WayToBorder(Pixel from, double dx, double dy, int width, int height) {
  double way = 1e9;
  if (dx > 1e-9) way = std::min(way, (width - 1 - from.x) / dx);
  if (dx < -1e-9) way = std::min(way, -from.x / dx);
  if (dy > 1e-9) way = std::min(way, (height - 1 - from.y) / dy);
  if (dy < -1e-9) way = std::min(way, -from.y / dy);
  return way;
}

}  // namespace

void SceneDraw::DrawGeometry() {
  sp.seed = Mix(seed ^ 0x5B4A1ULL);
  sp.half_angle_deg =
      keys.Number("half_angle_deg", sheet.Uniform(15.0, 60.0), "cone half angle at the lowest pressure");
  s.angle_rise_deg = keys.Number("angle_rise_deg", sheet.Uniform(0.0, 1.5), "per e-fold of pressure");
  s.breakup_power = keys.Number("breakup_power", sheet.Uniform(0.25, 0.5), "breakup ~ pressure^-this");
  widest_deg = std::min(80.0, sp.half_angle_deg + s.angle_rise_deg * log_span);
  s.lean_deg = keys.Number("lean_deg", 0.8 * sheet.Normal(), "of the spray against the nozzle, to the right");

  rig_measured = keys.Flag("rig_measured", false,
                           "rig gives all there is, as well as a board and a body's edges tell it");
  const double orientation = view.Unit();
  const double base_turn = orientation < 0.86    ? 0.0
                           : orientation < 0.91  ? 180.0
                           : orientation < 0.955 ? 90.0
                                                 : -90.0;
  axis_written =
      keys.Flag("axis_written", view.Chance(s.clean ? 1.0 : 0.7) || base_turn != 0.0 || rig_measured,
                "rig gives axis_deg");
  const double axis_drawn = base_turn + (axis_written ? 1.5 : 0.5) * view.Normal();
  s.camera.axis_deg =
      keys.Number("axis_deg", axis_drawn, "nozzle in the picture: 0 down, positive to the right");
  tilt_written =
      keys.Flag("tilt_written", view.Chance(s.clean ? 1.0 : 0.6) || rig_measured, "rig gives tilt_deg");
  const double tilt_draw = std::clamp(view.Normal(), -2.5, 2.5);
  s.camera.tilt_deg =
      keys.Number("tilt_deg", 2.0 * tilt_draw, "out of the picture, far end towards the camera");
  const double down = s.camera.axis_deg * kRadians;
  dx = std::sin(down);
  dy = std::cos(down);
  const double along_draw = view.Uniform(0.08, 0.17);
  const double across_draw = view.Uniform(0.43, 0.57);
  Pixel exit;
  if (std::abs(dy) > std::abs(dx)) {
    exit = {rec.width * across_draw, rec.height * (dy > 0.0 ? along_draw : 1.0 - along_draw)};
  } else {
    exit = {rec.width * (dx > 0.0 ? along_draw : 1.0 - along_draw), rec.height * across_draw};
  }
  exit.x = keys.Number("exit_x_px", std::round(exit.x * 100.0) / 100.0, "exit's centre");
  exit.y = keys.Number("exit_y_px", std::round(exit.y * 100.0) / 100.0, "");
  s.camera.exit_px = exit;
  scale = keys.Number("px_per_mm", view.LogUniform(5.0, 40.0), "at the exit");
  const double depth_px = WayToBorder(exit, dx, dy, rec.width, rec.height);
  const double side_px = std::min(WayToBorder(exit, dy, -dx, rec.width, rec.height),
                                  WayToBorder(exit, -dy, dx, rec.width, rec.height));
  depth_mm = depth_px / scale;
  side_mm = side_px / scale;
  const double fits_mm = std::min({depth_mm / 1.42, 0.93 * side_mm / std::tan(widest_deg * kRadians), 45.0});
  // A sheet that outlasts the picture is for close-ups; elsewhere it would have to be absurdly long.
  const bool drawn_in_view = sheet.Chance(s.clean ? 0.88 : 0.78) || depth_mm > 55.0;
  s.breakup_in_view = keys.Flag("breakup_in_view", drawn_in_view, "drops in view below the sheet");
  const double breakup_draw = sheet.Unit();
  sp.breakup_mm = keys.Number(
      "breakup_mm",
      s.breakup_in_view ? fits_mm * (0.62 + 0.38 * breakup_draw) : depth_mm * (1.15 + 0.6 * breakup_draw),
      "median at the lowest pressure");
  const double room_mm = std::min(sp.breakup_mm * std::exp(-s.breakup_power * log_span), 0.8 * fits_mm * 1.3);
  const double exit_draw = sheet.LogUniform(0.5, 3.0);
  exit_mm = keys.Number("exit_diameter_mm",
                        std::round(std::max(std::min(exit_draw, room_mm / 5.5), 0.3) * 1000.0) / 1000.0, "");
  sp.exit_radius_mm = 0.5 * exit_mm;
  sp.r0_mm =
      keys.Number("r0_mm", sp.exit_radius_mm * sheet.Uniform(0.86, 1.0), "radius of the sheet at the exit");
  sp.breakup_scatter = keys.Number("breakup_scatter", sheet.LogUniform(0.05, 0.2), "sd of ln(breakup)");
  sp.breakup_patch_deg = keys.Number("breakup_patch_deg", sheet.Uniform(15.0, 60.0), "");
  sp.wave_mm = keys.Number("wave_mm", sp.breakup_mm * sheet.LogUniform(0.004, 0.03), "rms at the breakup");
  sp.wave_growth = keys.Number("wave_growth", sheet.Uniform(2.0, 4.5), "e-folds from exit to breakup");
  sp.wave_length_mm =
      keys.Number("wave_length_mm", std::max(sp.breakup_mm / sheet.Uniform(4.0, 10.0), 5.0 / scale), "");
  sp.wave_swirl = keys.Whole("wave_swirl", 2 + sheet.Index(6), "spread of circumferential wavenumbers");
  sp.ligament_pitch_mm = keys.Number(
      "ligament_pitch_mm", std::max(sp.wave_length_mm * sheet.Uniform(0.22, 0.45), 4.0 / scale), "");
  sp.ligament_reach =
      keys.Number("ligament_reach", sheet.Uniform(0.12, 0.4), "as a part of the breakup length");
  sp.pulsation_hz = keys.Number(
      "pulsation_hz", is_phone ? sheet.LogUniform(2.0, 12.0) : rec.fps / sheet.Uniform(8.0, 60.0), "");
  const bool pulsates = sheet.Chance(s.clean ? 0.0 : 0.15);
  const double pulsation = sheet.Uniform(0.2, 1.2);
  sp.pulsation_deg =
      keys.Number("pulsation_deg", pulsates ? pulsation : 0.0, "half peak to peak of the half angle");
}

void SceneDraw::DrawDrops() {
  Random drops(seed, "drops");
  const double d32_um =
      keys.Number("d32_um", drops.LogUniform(90.0, 400.0), "surface-weighted mean drop diameter");
  sp.drop_spread = keys.Number("drop_spread", drops.Uniform(0.3, 0.55), "sd of ln(diameter)");
  sp.drop_um = d32_um * std::exp(-2.5 * sp.drop_spread * sp.drop_spread);
  sp.drop_scatter_deg = keys.Number("drop_scatter_deg", drops.Uniform(1.0, 5.0), "");
  sp.drop_uneven = keys.Number("drop_uneven", 0.0, "drops per angle: 1 + this cos(angle), more to the right");
  sp.drop_ray_share = keys.Number("drop_ray_share", 0.0, "part of the drops that fly in one ray");
  sp.drop_ray_deg = keys.Number("drop_ray_deg", 60.0, "its angle about the axis, 0 right, 90 away");
  sp.drop_ray_width_deg = keys.Number("drop_ray_width_deg", 4.0, "its sd");
  sp.stray_share = keys.Number("stray_share", drops.LogUniform(0.003, 0.05), "");
  sp.stray_scatter_deg = drops.Uniform(8.0, 20.0);
  sp.view_mm = 1.1 * std::hypot(depth_mm, side_mm) + 2.0;
  {
    const double volume_mm3 = std::numbers::pi / 6.0 * std::pow(1e-3 * sp.drop_um, 3) *
                              std::exp(4.5 * sp.drop_spread * sp.drop_spread);
    const Instant now = SteadyInstant(s, lowest_bar, 0.0, 0.0);
    const double flow_mm3_s = st.flow_area_mm2 * std::sqrt(2e5 * lowest_bar / st.density_kg_m3) * 1e3;
    // Longer exposures would show a mere fog of waves.
    if (!options.set.contains("exposure_s"))
      rec.exposure_s = std::min(rec.exposure_s, 150.0 / (1e3 * now.axial_m_s * scale));
    const double fed = flow_mm3_s / volume_mm3 / (1e3 * now.axial_m_s);
    sp.drops_per_mm = keys.Number("drops_per_mm", std::min(fed, 5000.0 / sp.view_mm), "of axial travel");
  }
}

}  // namespace conebook::render
