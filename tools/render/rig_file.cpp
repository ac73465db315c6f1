#include "render/rig_file.h"

#include <fmt/format.h>

#include "render/number_text.h"

namespace conebook::render {

std::string RigText(const Scene& s) {
  std::string out = "# Invented, rendered.\n[element]\n";
  out += fmt::format("id = \"{}\"\nbatch = \"{}\"\nkind = \"swirl\"\n", s.element, s.batch);
  const auto put = [&out](const char* key, const Stated& v) {
    if (!v.stated) return;
    out += fmt::format("{} = {}\n", key, Number(*v.stated));
    if (v.u && *v.u > 0.0) out += fmt::format("u_{} = {:.4g}\n", key, *v.u);
  };
  const auto real = [](double v) {  // TOML wants a point in a float
    std::string text = Number(v);
    if (text.find_first_of(".e") == std::string::npos) text += ".0";
    return text;
  };
  out += "\n[camera]\n";
  if (s.recording.state_fps) out += fmt::format("fps = {}\n", real(s.recording.fps));
  put("distance_mm", s.distance_mm);
  put("focal_px", s.focal_px);
  put("tilt_deg", s.tilt_deg);
  if (s.lens_file) out += "lens = \"lens.toml\"\n";
  if (s.recording.codec == "frames12") out += "white_level = 4095\n";
  out += "\n[scale]\n";
  put("px_per_mm", s.px_per_mm);
  out += "\n[nozzle]\n";
  if (s.exit_x_px.stated)
    out += fmt::format("exit_px = [{}, {}]\nu_exit_px = {:.4g}\n", real(*s.exit_x_px.stated),
                       real(*s.exit_y_px.stated), *s.exit_x_px.u);
  put("exit_diameter_mm", s.exit_diameter_mm);
  put("axis_deg", s.axis_deg);
  if (s.state_illumination) out += fmt::format("\n[spray]\nillumination = \"{}\"\n", s.light);
  if (s.near_mm)
    out += fmt::format("\n[stations]\nnear_mm = {}\nfar_mm = {}\n", real(*s.near_mm), real(*s.far_mm));
  out += "\n[stand]\nliquid = \"water\"\n";
  put("temperature_c", s.temperature_c);
  put("reference_area_mm2", s.reference_area_mm2);
  if (s.reference_area_mm2.stated) out += "area_kind = \"exit\"\n";
  if (s.rated_bar) out += fmt::format("rated_bar = {}\n", real(*s.rated_bar));
  put("tap_above_exit_mm", s.tap_above_exit_mm);
  out += LogMapping(s.log_format);
  if (s.log_format.flow == "pulse_hz" || s.meter_u_percent) out += "\n[meter]\n";
  if (s.log_format.flow == "pulse_hz")
    out += fmt::format("k_factor_per_l = {}\n", real(s.stand.k_factor_per_l));
  if (s.meter_u_percent) out += fmt::format("u_percent = {:.3f}\n", *s.meter_u_percent);
  if (s.pressure_u_percent) out += fmt::format("\n[pressure]\nu_percent = {:.3f}\n", *s.pressure_u_percent);
  if (s.sync_s.stated) {
    out += fmt::format("\n[sync]\nlog_minus_video_s = {}\n", real(*s.sync_s.stated));
    out += fmt::format("u_log_minus_video_s = {:.4g}\n", *s.sync_s.u);
  }
  return out;
}

std::string LensText(const Scene& s) {
  const RecordingSetting& rec = s.recording;
  return fmt::format(
      "[lens]\nwidth_px = {}\nheight_px = {}\nfx_px = {:.3f}\nfy_px = {:.3f}\ncx_px = {:.3f}\ncy_px = "
      "{:.3f}\nk1 = {:.8g}\nk2 = {:.8g}\np1 = {:.8g}\np2 = {:.8g}\nk3 = 0.0\nrms_px = 0.2\n",
      rec.width, rec.height, s.camera.focal_px, s.camera.focal_px, 0.5 * (rec.width - 1),
      0.5 * (rec.height - 1), s.camera.k1 + 0.0, s.camera.k2 + 0.0, s.camera.p1 + 0.0, s.camera.p2 + 0.0);
}

Camera StatedCamera(const Scene& s) {
  CameraSetting view = s.camera;
  if (!s.lens_file) view.k1 = view.k2 = view.p1 = view.p2 = 0.0;
  if (s.exit_x_px.stated) view.exit_px = {*s.exit_x_px.stated, *s.exit_y_px.stated};
  view.axis_deg = s.axis_deg.stated.value_or(0.0);
  view.tilt_deg = s.tilt_deg.stated.value_or(0.0);
  const double scale = *s.px_per_mm.stated;
  // The focal length, by the lens file or stated, tells the distance; without either no perspective is taken
  // out: the camera stands far away.
  if (s.lens_file) {
    view.distance_mm = view.focal_px / scale;
  } else if (s.focal_px.stated) {
    view.focal_px = *s.focal_px.stated;
    view.distance_mm = view.focal_px / scale;
  } else {
    view.distance_mm = s.distance_mm.stated.value_or(1e6);
    view.focal_px = view.distance_mm * scale;
  }
  return MakeCamera(view);
}

}  // namespace conebook::render
