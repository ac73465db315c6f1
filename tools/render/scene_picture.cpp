#include <algorithm>
#include <cmath>
#include <string>

#include <fmt/format.h>

#include "render/scene_draw.h"

namespace conebook::render {

void SceneDraw::DrawPicture() {
  Random picture(seed, "picture");
  static constexpr int kPhoneSizes[][2] = {{960, 720}, {960, 720}, {1280, 720}, {800, 600}, {720, 960}};
  static constexpr int kFastSizes[][2] = {{768, 768}, {640, 480}, {800, 600}, {960, 720}, {896, 640}};
  const auto& size = is_phone ? kPhoneSizes[picture.Index(5)] : kFastSizes[picture.Index(5)];
  rec.width = keys.Whole("width", size[0], "px, of the upright picture");
  rec.height = keys.Whole("height", size[1], "px");
  const double codec_draw = picture.Unit();
  const std::string drawn_codec = is_phone ? (codec_draw < 0.6 ? "h264" : "hevc")
                                           : (codec_draw < 0.45   ? "frames12"
                                              : codec_draw < 0.65 ? "frames16"
                                              : codec_draw < 0.85 ? "h264"
                                                                  : "hevc");
  rec.codec = keys.Word("codec", drawn_codec, {"h264", "hevc", "frames12", "frames16", "frames8"}, "");
  const bool frames = rec.codec.starts_with("frames");
  const double container_draw = picture.Unit();
  rec.container = keys.Word("container",
                            frames ? (container_draw < 0.7 ? "png" : "tiff")
                                   : (container_draw < 0.6    ? "mp4"
                                      : container_draw < 0.85 ? "mov"
                                                              : "mkv"),
                            {"mp4", "mov", "mkv", "png", "tiff"}, "");
  rec.ten_bit = keys.Flag("ten_bit", picture.Chance(rec.codec == "hevc" ? 0.3 : 0.0), "10-bit luma");
  rec.full_range =
      keys.Flag("full_range", picture.Chance(is_phone ? 0.4 : 0.2), "luma 0-255 instead of 16-235");
  rec.quality = keys.Number("quality", picture.Uniform(s.clean ? 8.0 : 17.0, s.clean ? 14.0 : 25.0),
                            "constant rate factor; smaller is better");
  rec.bit_rate_mbit =
      keys.Number("bit_rate_mbit", picture.Chance(s.clean ? 0.0 : 0.4) ? picture.LogUniform(3.0, 14.0) : 0.0,
                  "0: by quality");
  const double rotation_draw = picture.Unit();
  rec.rotation_deg = keys.Whole("rotation",
                                is_phone && !frames && rec.container != "mkv" ? (rotation_draw < 0.5    ? 0
                                                                                 : rotation_draw < 0.75 ? 90
                                                                                 : rotation_draw < 0.9  ? 180
                                                                                                        : 270)
                                                                              : 0,
                                "clockwise turn that makes the stored picture upright");
  rec.fps = keys.Number(
      "fps", is_phone ? (picture.Chance(0.75) ? 30.0 : 60.0) : std::round(picture.LogUniform(10, 80)) * 100.0,
      "true capture rate");
  rec.playback_fps = is_phone ? rec.fps : 30.0;
  rec.state_fps = keys.Flag("state_fps", !is_phone, "rig says [camera] fps");
  rec.variable_rate = keys.Flag("variable_rate", picture.Chance(is_phone && !s.clean ? 0.5 : 0.0),
                                "stamps jitter, a frame is dropped now and then");
}

void SceneDraw::DrawCamera() {
  s.camera.width = rec.width;
  s.camera.height = rec.height;
  const double nearest_mm = std::max(150.0, 0.9 * std::max(rec.width, rec.height) / scale);
  s.camera.distance_mm = keys.Number("distance_mm", view.LogUniform(nearest_mm, 5.0 * nearest_mm),
                                     "lens to exit, along the optical axis");
  s.camera.focal_px = scale * s.camera.distance_mm;
  const bool lens_drawn = view.Chance(s.clean ? 0.5 : 0.3);
  s.lens_file = keys.Flag("lens_file", lens_drawn, "rig names a lens file");
  const double corner = 0.5 * std::hypot(rec.width, rec.height) / s.camera.focal_px;
  const double bend = keys.Number("lens_corner",
                                  view.Uniform(-1.0, 1.0) * (lens_drawn ? 0.015
                                                             : s.clean  ? 0.001
                                                                        : 0.004),
                                  "relative displacement of the corners");
  s.camera.k1 = keys.Number("k1", bend / (corner * corner), "");
  s.camera.k2 = keys.Number("k2", -0.25 * bend * view.Unit() / std::pow(corner, 4), "");
  s.camera.p1 = keys.Number("p1", (lens_drawn ? 0.0008 : 0.0) * view.Normal() / corner, "");
  s.camera.p2 = keys.Number("p2", (lens_drawn ? 0.0008 : 0.0) * view.Normal() / corner, "");
}

void SceneDraw::DrawLightAndRecording() {
  Random look(seed, "look");
  s.look.wall_depth =
      keys.Number("wall_depth", frontlit ? look.LogUniform(0.3, 1.1) : look.LogUniform(0.2, 0.8),
                  "grey: optical depth of one wall at the exit");
  s.look.limb_depth =
      keys.Number("limb_depth", frontlit ? look.LogUniform(0.4, 1.6) : look.LogUniform(0.5, 2.5),
                  "clear: of one wall, grazed");
  s.look.limb_softness = keys.Number("limb_softness", look.Uniform(0.05, 0.6), "0: narrow limb, 1: wide");
  s.look.interior_depth =
      keys.Number("interior_depth", look.LogUniform(0.004, 0.03), "clear: of one wall, face on");
  s.look.streak = keys.Number("streak", look.Uniform(0.1, 0.6), "relative depth of thickness streaks");
  s.look.light_side = keys.Number("light_side", (look.Chance(0.5) ? 1.0 : -1.0) * look.Uniform(0.2, 0.9),
                                  "front: lamp left -1, right 1");
  s.look.glint =
      keys.Number("glint", frontlit ? (clear ? look.LogUniform(0.3, 2.0) : look.LogUniform(0.02, 0.4)) : 0.0,
                  "front: mirror flashes");
  const bool lost = look.Chance(0.4);
  const double lost_sign = look.Chance(0.5) ? 1.0 : -1.0;
  s.look.lost_side = keys.Number("lost_side", frontlit && clear && lost ? lost_sign : 0.0,
                                 "front, clear: side with a stretch without limb");
  s.look.lost_from = keys.Number("lost_from", look.Uniform(0.2, 0.55), "in breakup lengths");
  s.look.lost_to = keys.Number("lost_to", s.look.lost_from + look.Uniform(0.08, 0.2), "");
  s.look.drop_depth =
      keys.Number("drop_depth", frontlit ? look.Uniform(0.5, 1.5) : look.Uniform(1.2, 2.5), "");
  s.look.blur_px = keys.Number("blur_px", look.Uniform(0.55, s.clean ? 1.1 : 1.7), "of lens and focus, sd");
  rec.exposure_s =
      keys.Number("exposure_s",
                  is_phone ? look.LogUniform(3e-5, s.clean ? 3e-4 : 1e-3) : look.LogUniform(5e-6, 6e-5), "");
  rec.field = keys.Number("field", frontlit ? look.Uniform(0.4, 0.75) : look.Uniform(0.5, 0.85),
                          "brightness of the field (back) or of a lit spray (front)");
  rec.field_slope = keys.Number("field_slope", look.Uniform(0.0, 0.25), "unevenness");
  rec.vignetting = keys.Number("vignetting", look.Uniform(0.0, 0.3), "loss in the corners");
  rec.background = keys.Number("background", look.LogUniform(0.01, 0.08), "front: dark background");
  rec.structure = keys.Number("structure", look.Uniform(0.1, s.clean ? 0.4 : 1.0), "of the background");
  rec.body = keys.Number("body", frontlit ? look.Uniform(0.08, 0.35) : look.Uniform(0.015, 0.1),
                         "brightness of the nozzle");
  rec.full_well =
      keys.Number("full_well", look.LogUniform(s.clean ? 8000.0 : 2500.0, 20000.0), "electrons; shot noise");
  rec.read_noise =
      keys.Number("read_noise", look.LogUniform(0.0006, s.clean ? 0.0015 : 0.005), "of full scale");
  const bool flickers = look.Chance(is_phone ? (s.clean ? 0.2 : 0.6) : 0.2);
  const double flicker = look.LogUniform(0.003, s.clean ? 0.01 : 0.04);
  rec.flicker = keys.Number("flicker", flickers ? flicker : 0.0, "of the light, half peak to peak");
  rec.flicker_hz = keys.Number("flicker_hz", look.Chance(0.5) ? 100.0 : 120.0, "");
  rec.line_time_us = keys.Number("line_time_us", is_phone && look.Chance(0.3) ? look.Uniform(5.0, 20.0) : 0.0,
                                 "rolling shutter's bands");
  rec.rolling_us = keys.Number("rolling_us", 0.0, "rolling shutter that sees the spray move, row to row");
  if (rec.rolling_us > 0.0) rec.line_time_us = rec.rolling_us;
  rec.exposure_drift = keys.Number(
      "exposure_drift", is_phone && !s.clean ? 0.03 * look.Normal() : 0.002 * look.Normal(), "over the clip");
  const bool shakes = look.Chance(0.7);
  const double shake = look.LogUniform(0.1, 2.0);
  rec.shake_px = keys.Number("shake_px", is_phone && !s.clean && shakes ? shake : 0.0, "rms");
  const bool hazes = look.Chance(is_phone ? 0.6 : 0.4);
  const double haze = look.LogUniform(0.01, 0.12);
  rec.haze = keys.Number("haze", !s.clean && hazes ? haze : 0.0, "final share of mist");
  rec.haze_rise_s =
      keys.Number("haze_rise_s", is_phone ? look.Uniform(0.4, 2.0) : look.Uniform(0.01, 0.05), "");
  const int specks = look.Index(9);
  rec.window_drops =
      keys.Whole("window_drops", !s.clean && look.Chance(0.5) ? specks : 0, "drops on the window");
  const bool sharpens = look.Chance(0.3);
  rec.sharpen = keys.Number("sharpen", is_phone && !s.clean && sharpens ? look.Uniform(0.1, 0.4) : 0.0,
                            "the phone's sharpening");
  rec.tip = keys.Number("tip", look.Uniform(1.5, 3.5), "width of the nozzle's tip in exits");
  rec.holder = keys.Number("holder", look.Chance(0.6) ? look.Uniform(4.0, 10.0) : 0.0,
                           "width of the holder in exits; 0: none");
  rec.gain = keys.Number("gain", 1.0, "over-exposure");
  rec.defocus_px = keys.Number("defocus_px", 0.0, "blur of the whole picture, sd");
}

void SceneDraw::DrawFaults() {
  FaultSetting& faults = rec.faults;
  faults.zoom = keys.Number("zoom", 0.0, "digital zoom over the clip, relative");
  faults.zoom_from = keys.Number("zoom_from", 0.0, "part of the clip at which it begins");
  faults.zoom_to = keys.Number("zoom_to", 1.0, "and ends");
  faults.breathing = keys.Number("breathing", 0.0, "focus breathing: relative size, half peak to peak");
  faults.breathing_hz = keys.Number("breathing_hz", 1.5, "");
  faults.breathing_blur_px = keys.Number("breathing_blur_px", 0.0, "blur that comes with it, sd");
  faults.roll_deg = keys.Number("roll_deg", 0.0, "the picture's turn, half peak to peak");
  faults.roll_hz = keys.Number("roll_hz", 0.7, "");
  faults.step_x_px = keys.Number("step_x_px", 0.0, "the nozzle gives way when the valve opens");
  faults.step_y_px = keys.Number("step_y_px", 0.0, "");
  faults.lean_swing_deg = keys.Number("lean_swing_deg", 0.0, "draught: the spray's lean swings so far");
  faults.lean_swing_hz = keys.Number("lean_swing_hz", 1.0, "");
  faults.edge_drops = keys.Whole("edge_drops", 0, "drops that land on the window over the spray's edge");
  faults.edge_drop_px = keys.Number("edge_drop_px", 12.0, "their radius");
  faults.recess_mm = keys.Number("recess_mm", 0.0, "the holder reaches so far below the exit");
  faults.wet_mm = keys.Number("wet_mm", 0.0, "liquid on the tip's face, out from the exit");
  faults.repeat_every = keys.Whole("repeat_every", 0, "every so many-th frame repeats the one before");
  faults.ramp = keys.Number("ramp", 1.0, "the middle third plays so many times slower, by its stamps");
}

}  // namespace conebook::render
