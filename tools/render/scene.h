// Everything that is drawn for one clip, and the one place that draws it. Each value has a key, can be set
// from the command line, and takes its random numbers whether it is set or not, so that setting one leaves
// the rest as they were (what depends on it follows; another kind of camera, light or film draws from other
// ranges).
#pragma once

#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <vector>

#include "render/camera.h"
#include "render/faults.h"
#include "render/film.h"
#include "render/spray.h"
#include "render/stand.h"

namespace conebook::render {

struct Stated {  // a rig value: true, as written, its u; not written when absent
  double truth = 0.0;
  std::optional<double> stated, u;
};

struct RecordingSetting {
  int width = 960, height = 720, frames = 90;
  double fps = 30.0;           // true capture rate
  double playback_fps = 30.0;  // what the container says
  bool state_fps = false;      // rig carries [camera] fps
  bool variable_rate = false;
  int rotation_deg = 0;           // clockwise turn of the stored picture that makes it upright
  std::string codec = "h264";     // h264, hevc, frames16, frames12, frames8
  std::string container = "mp4";  // mp4, mov, mkv; png, tiff for frames
  bool ten_bit = false, full_range = false;
  double quality = 20.0;  // constant rate factor where bit_rate_mbit is 0
  double bit_rate_mbit = 0.0;
  double exposure_s = 1e-4;
  double field = 0.7;  // brightness of the light field (backlit) or of the lit spray (frontlit)
  double field_slope = 0.1, vignetting = 0.1, background = 0.05, structure = 0.3;
  double body = 0.06;
  double gain = 1.0;  // overexposure
  double full_well = 8000.0, read_noise = 0.002;
  double flicker = 0.0, flicker_hz = 100.0, line_time_us = 0.0;
  double rolling_us = 0.0;      // from row to row; 0: all rows at once
  double exposure_drift = 0.0;  // relative, over the clip
  double shake_px = 0.0;
  double haze = 0.0, haze_rise_s = 0.5;
  int window_drops = 0;
  double sharpen = 0.0;
  double moving = 0.0;      // contrast of a background that moves
  double defocus_px = 0.0;  // extra blur of the whole picture
  double holder = 0.0;      // holder width in exits; 0 none
  double tip = 2.0;         // tip width in exits
  FaultSetting faults;
};

struct Scene {
  std::uint64_t seed = 1;
  std::string camera_kind, light, negative, element, batch;
  bool clean = false, prespray = true, breakup_in_view = true;
  SpraySetting spray;
  FilmLook look;
  double lean_deg = 0.0;
  std::vector<double> jets_deg;  // directions of several jets instead of one spray
  bool marginal = false;         // spoilt by degrees: it may be measured, and then its interval must hold
  double angle_rise_deg = 0.0, breakup_power = 0.4, velocity_part = 0.8;
  double reference_bar = 5.0;
  // One a level, or none: all fully developed. An onion closes within the picture and outlasts it as a jet.
  std::vector<Stage> stages;
  double onion_closes_mm = 0.0, onion_breakup_mm = 0.0, tulip_closes_part = 2.0, pencil_deg = 1.0;
  CameraSetting camera;
  double shown_px_per_mm = 10.0;
  RecordingSetting recording;
  StandSetting stand;
  LogFormat log_format;
  double log_minus_video_s = 0.0;
  double open_video_s = 0.0;  // when liquid leaves the exit, video time (may be negative)
  // The rig as written.
  Stated px_per_mm, exit_x_px, exit_y_px, exit_diameter_mm, axis_deg, tilt_deg, distance_mm, focal_px;
  Stated temperature_c, reference_area_mm2, meter_k, sync_s, tap_above_exit_mm;
  std::optional<double> near_mm, far_mm, rated_bar, pressure_u_percent, meter_u_percent;
  bool lens_file = false, state_illumination = true;

  int Points() const { return static_cast<int>(stand.drops_bar.size()); }
};

struct SceneKey {
  std::string key, value, help;
};
struct SceneOptions {
  std::uint64_t seed = 1;
  std::string group = "any", negative;
  std::map<std::string, std::string> set;
};
// Throws std::invalid_argument for an unknown key or a value that is none; `keys` (may be null) gets every
// key.
Scene DrawScene(const SceneOptions& options, std::vector<SceneKey>* keys);

const char* NameOf(Stage stage);

// The spray's state at a video time; `travel_mm` for steady flow (far from the start).
Instant SteadyInstant(const Scene& scene, double drop_bar, double time_s, double travel_mm);

}  // namespace conebook::render
