#include "render/scene.h"

#include <algorithm>
#include <charconv>
#include <cmath>
#include <numbers>
#include <stdexcept>

#include <fmt/format.h>

#include "render/random.h"

namespace conebook::render {
namespace {

constexpr double kRadians = std::numbers::pi / 180.0;

// Takes drawn values by key, lets the command line override them, keeps the list.
class Keys {
 public:
  Keys(const SceneOptions& options, std::vector<SceneKey>* list) : options_(options), list_(list) {}

  double Number(const std::string& key, double drawn, const char* help) {
    double value = drawn;
    if (const std::string* text = Find(key)) {
      const char* end = text->data() + text->size();
      const auto [at, error] = std::from_chars(text->data(), end, value);
      if (error != std::errc() || at != end || !std::isfinite(value))
        throw std::invalid_argument(fmt::format("--set {}: expected a number, found \"{}\"", key, *text));
    }
    Note(key, fmt::format("{:.6g}", value), help);
    return value;
  }
  int Whole(const std::string& key, int drawn, const char* help) {
    return static_cast<int>(std::lround(Number(key, drawn, help)));
  }
  bool Flag(const std::string& key, bool drawn, const char* help) {
    return Whole(key, drawn ? 1 : 0, help) != 0;
  }
  std::string Word(const std::string& key, const std::string& drawn, const std::vector<std::string>& allowed,
                   const char* help) {
    std::string value = drawn;
    if (const std::string* text = Find(key)) {
      if (std::find(allowed.begin(), allowed.end(), *text) == allowed.end())
        throw std::invalid_argument(
            fmt::format("--set {}: expected one of {}, found \"{}\"", key, fmt::join(allowed, ", "), *text));
      value = *text;
    }
    Note(key, value, help);
    return value;
  }
  std::string Text(const std::string& key, const std::string& drawn, const char* help) {
    const std::string* text = Find(key);
    std::string value = text == nullptr ? drawn : *text;
    Note(key, value, help);
    return value;
  }
  void CheckAllUsed() const {
    for (const auto& [key, value] : options_.set) {
      if (std::find(used_.begin(), used_.end(), key) == used_.end())
        throw std::invalid_argument(fmt::format("--set {}: no such key; --help lists them", key));
    }
  }

 private:
  const std::string* Find(const std::string& key) {
    used_.push_back(key);
    const auto found = options_.set.find(key);
    return found == options_.set.end() ? nullptr : &found->second;
  }
  void Note(const std::string& key, std::string value, const char* help) {
    if (list_ != nullptr) list_->push_back({key, std::move(value), help});
  }
  const SceneOptions& options_;
  std::vector<SceneKey>* list_;
  std::vector<std::string> used_;
};

// A rig value in error by a draw from its u, rounded as a person would write it.
Stated State(double truth, double u, Random& random, bool written, int decimals) {
  const double drawn = truth + u * random.Normal();
  if (!written) return {truth, std::nullopt, std::nullopt};
  const double unit = std::pow(10.0, decimals);
  return {truth, std::round(drawn * unit) / unit, u};
}

// Way from a point inside the picture to its border along a direction, px.
double WayToBorder(Pixel from, double dx, double dy, int width, int height) {
  double way = 1e9;
  if (dx > 1e-9) way = std::min(way, (width - 1 - from.x) / dx);
  if (dx < -1e-9) way = std::min(way, -from.x / dx);
  if (dy > 1e-9) way = std::min(way, (height - 1 - from.y) / dy);
  if (dy < -1e-9) way = std::min(way, -from.y / dy);
  return way;
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

constexpr std::pair<Stage, const char*> kStageNames[] = {{Stage::kDribble, "dribble"},
                                                         {Stage::kPencil, "distorted_pencil"},
                                                         {Stage::kOnion, "onion"},
                                                         {Stage::kTulip, "tulip"},
                                                         {Stage::kCone, "fully_developed"}};

// One word for all levels, or one a level: "onion/tulip/fully_developed".
std::vector<Stage> Stages(const std::string& text, std::size_t levels) {
  std::vector<Stage> stages;
  for (std::size_t at = 0; at <= text.size();) {
    const std::size_t end = std::min(text.find('/', at), text.size());
    const std::string word = text.substr(at, end - at);
    const auto* found = std::find_if(std::begin(kStageNames), std::end(kStageNames),
                                     [&](const auto& entry) { return word == entry.second; });
    if (found == std::end(kStageNames))
      throw std::invalid_argument(fmt::format("--set stage: no such stage \"{}\"", word));
    stages.push_back(found->first);
    at = end + 1;
  }
  if (stages.size() == 1) stages.resize(levels, stages.front());
  if (stages.size() != levels)
    throw std::invalid_argument(
        fmt::format("--set stage: expected one or {} stages, found {}", levels, stages.size()));
  return stages;
}

}  // namespace

const char* NameOf(Stage stage) {
  for (const auto& [known, name] : kStageNames) {
    if (known == stage) return name;
  }
  return "";
}

Scene DrawScene(const SceneOptions& options, std::vector<SceneKey>* list) {
  Scene s;
  s.seed = options.seed;
  s.negative = options.negative;
  Keys keys(options, list);
  const std::uint64_t seed = options.seed;

  // What kind of clip.
  Random kind(seed, "kind");
  const double which = kind.Unit();
  const bool drawn_clean = kind.Chance(0.4);
  const bool drawn_phone = which < 0.6;
  const bool phone = options.group == "phone" || (options.group != "highspeed" && drawn_phone);
  s.clean = keys.Flag("clean", options.group == "clean" || (options.group == "any" && drawn_clean),
                      "1: low noise, no shake or haze, rig values well known");
  s.camera_kind = keys.Word("camera", phone ? "phone" : "highspeed", {"phone", "highspeed"}, "");
  const bool is_phone = s.camera_kind == "phone";
  s.light = keys.Word("light", kind.Chance(0.5) ? "backlit" : "frontlit", {"backlit", "frontlit"}, "");
  const std::string film = keys.Word("film", kind.Chance(0.5) ? "grey" : "clear", {"grey", "clear"},
                                     "grey: depth through both walls; clear: the limb only");
  const bool drawn_prespray = kind.Chance(s.clean ? 1.0 : 0.85);
  s.prespray = keys.Flag("prespray", drawn_prespray, "frames before the valve opens");
  const bool frontlit = s.light == "frontlit";
  const bool clear = film == "clear";
  s.look.film = clear ? Film::kClear : Film::kGrey;
  s.look.frontlit = frontlit;
  s.element = keys.Text("element", fmt::format("R{:02d}", 1 + kind.Index(40)), "element id in the rig");
  s.batch = keys.Text("batch", kind.Chance(0.5) ? "reamed" : "spark_eroded", "its batch");

  // Picture and codec.
  Random picture(seed, "picture");
  RecordingSetting& rec = s.recording;
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

  // Pressure points.
  Random stand(seed, "stand");
  StandSetting& st = s.stand;
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
  s.reference_bar = *lowest;
  const double log_span = std::log(*highest / *lowest);

  // Geometry of view and spray.
  Random view(seed, "view");
  Random sheet(seed, "sheet");
  SpraySetting& sp = s.spray;
  sp.seed = Mix(seed ^ 0x5B4A1ULL);
  sp.half_angle_deg =
      keys.Number("half_angle_deg", sheet.Uniform(15.0, 60.0), "cone half angle at the lowest pressure");
  s.angle_rise_deg = keys.Number("angle_rise_deg", sheet.Uniform(0.0, 1.5), "per e-fold of pressure");
  s.breakup_power = keys.Number("breakup_power", sheet.Uniform(0.25, 0.5), "breakup ~ pressure^-this");
  const double widest = std::min(80.0, sp.half_angle_deg + s.angle_rise_deg * log_span);
  s.lean_deg = keys.Number("lean_deg", 0.8 * sheet.Normal(), "of the spray against the nozzle, to the right");

  const bool rig_measured = keys.Flag(
      "rig_measured", false, "rig gives all there is, as well as a board and a body's edges tell it");
  const double orientation = view.Unit();
  const double base_turn = orientation < 0.86    ? 0.0
                           : orientation < 0.91  ? 180.0
                           : orientation < 0.955 ? 90.0
                                                 : -90.0;
  const bool axis_written =
      keys.Flag("axis_written", view.Chance(s.clean ? 1.0 : 0.7) || base_turn != 0.0 || rig_measured,
                "rig gives axis_deg");
  const double axis_drawn = base_turn + (axis_written ? 1.5 : 0.5) * view.Normal();
  s.camera.axis_deg =
      keys.Number("axis_deg", axis_drawn, "nozzle in the picture: 0 down, positive to the right");
  const bool tilt_written =
      keys.Flag("tilt_written", view.Chance(s.clean ? 1.0 : 0.6) || rig_measured, "rig gives tilt_deg");
  const double tilt_draw = std::clamp(view.Normal(), -2.5, 2.5);
  s.camera.tilt_deg =
      keys.Number("tilt_deg", 2.0 * tilt_draw, "out of the picture, far end towards the camera");
  const double down = s.camera.axis_deg * kRadians;
  const double dx = std::sin(down);
  const double dy = std::cos(down);
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
  const double scale = keys.Number("px_per_mm", view.LogUniform(5.0, 40.0), "at the exit");
  const double depth_px = WayToBorder(exit, dx, dy, rec.width, rec.height);
  const double side_px = std::min(WayToBorder(exit, dy, -dx, rec.width, rec.height),
                                  WayToBorder(exit, -dy, dx, rec.width, rec.height));
  const double depth_mm = depth_px / scale;
  const double side_mm = side_px / scale;
  const double fits_mm = std::min({depth_mm / 1.42, 0.93 * side_mm / std::tan(widest * kRadians), 45.0});
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
  const double exit_mm =
      keys.Number("exit_diameter_mm",
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

  // Camera.
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

  // Light and recording.
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

  // Stand.
  st.temperature_c = keys.Number("temperature_c", stand.Uniform(8.0, 30.0), "");
  st.density_kg_m3 = WaterDensity(st.temperature_c);
  const double area_mm2 = std::numbers::pi * sp.exit_radius_mm * sp.exit_radius_mm;
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
  const double tap_mm = keys.Number("tap_above_exit_mm", head_mm, "");
  st.head_bar = 1e-5 * st.density_kg_m3 * 9.80665 * 1e-3 * tap_mm;
  // Enough pulses over a stretch that counting them is worth it.
  const double litres_s =
      st.flow_area_mm2 * 1e-6 * std::sqrt(2.0 * st.density_kg_m3 * 1e5 * *lowest) / st.density_kg_m3 * 1e3;
  st.k_factor_per_l = keys.Number("k_factor_per_l", std::round(stand.Uniform(500.0, 2500.0) / litres_s), "");

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
      const double axial_mm_s = 1e3 * SteadyInstant(s, *lowest, 0.0, 0.0).axial_m_s;
      rec.fps = std::min(rec.fps, std::round(rec.frames * axial_mm_s / (kLengths * sp.breakup_mm)));
    }
    s.open_video_s = s.prespray ? std::round(10.0 + 20.0 * pre_draw + 0.37) / rec.fps : -(0.5 + pre_draw);
  }
  s.open_video_s = keys.Number("open_video_s", s.open_video_s, "liquid leaves the exit at this video time");
  rec.frames = keys.Whole("frames", rec.frames, "");
  s.log_minus_video_s = st.starts_s.front() - s.open_video_s;

  // Drops, as many as the flow feeds, up to what is sensible to draw.
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
    const Instant now = SteadyInstant(s, *lowest, 0.0, 0.0);
    const double flow_mm3_s = st.flow_area_mm2 * std::sqrt(2e5 * *lowest / st.density_kg_m3) * 1e3;
    // Longer exposures would show a mere fog of waves.
    if (!options.set.contains("exposure_s"))
      rec.exposure_s = std::min(rec.exposure_s, 150.0 / (1e3 * now.axial_m_s * scale));
    const double fed = flow_mm3_s / volume_mm3 / (1e3 * now.axial_m_s);
    sp.drops_per_mm = keys.Number("drops_per_mm", std::min(fed, 5000.0 / sp.view_mm), "of axial travel");
  }

  Random stage(seed, "stage");
  s.stages = Stages(
      keys.Text("stage", "fully_developed",
                "of all levels, or one a level: dribble, distorted_pencil, onion, tulip, fully_developed"),
      st.drops_bar.size());
  s.onion_closes_mm =
      keys.Number("onion_closes_mm", depth_mm * stage.Uniform(0.35, 0.75), "where an onion closes");
  s.onion_breakup_mm = depth_mm * stage.Uniform(1.3, 1.8);
  s.tulip_closes_part = keys.Number("tulip_closes_part", stage.LogUniform(1.6, 3.5),
                                    "where a tulip would close, in its breakup lengths");
  s.pencil_deg = keys.Number("pencil_deg", stage.LogUniform(0.2, 2.0), "half angle of a distorted pencil");

  // Clips that must be refused.
  Random spoil(seed, "spoil");
  const double spoil_a = spoil.Unit();
  const bool spoil_b = spoil.Chance(0.5);
  if (s.negative == "solid_jet" || s.negative == "several_jets") {
    sp.solid_jet = true;
    sp.half_angle_deg = 0.15;
    s.angle_rise_deg = 0.0;
    sp.pulsation_deg = 0.0;
    sp.breakup_mm = depth_mm * (0.8 + 1.2 * spoil_a);
    sp.wave_mm = 0.06 * sp.r0_mm;
    sp.drop_scatter_deg = 0.4;
    sp.drops_per_mm = std::min(sp.drops_per_mm, 1.0 / sp.exit_radius_mm);
    sp.drop_um = 1.8e3 * sp.exit_radius_mm;
    sp.drop_spread = 0.1;
    s.look.wall_depth = std::max(s.look.wall_depth, 0.5);
    s.look.limb_depth = std::max(s.look.limb_depth, 1.0);
    s.look.interior_depth = std::max(s.look.interior_depth, 0.35);
    s.lean_deg *= 0.3;
    if (s.negative == "several_jets") {
      // As a plate with slanted holes throws them, well apart or nearly one.
      const double apart = 8.0 + 22.0 * spoil_a;
      s.jets_deg = {-apart, spoil_b ? 0.15 * apart : -0.1 * apart, apart};
    }
  } else if (s.negative == "cut_off") {
    // One side leaves the picture before half of the station rows.
    const double side =
        std::tan(sp.half_angle_deg * kRadians) * sp.breakup_mm * 0.75 * (0.2 + 0.2 * spoil_a) * scale;
    const double sign = spoil_b ? 1.0 : -1.0;
    if (std::abs(dy) > std::abs(dx)) {
      s.camera.exit_px.x = sign > 0.0 ? rec.width - 1 - side : side;
    } else {
      s.camera.exit_px.y = sign > 0.0 ? rec.height - 1 - side : side;
    }
  } else if (s.negative == "cut_off_partly") {
    // One side leaves the picture somewhere between the near station and a third beyond the far one.
    s.marginal = true;
    const double side =
        std::tan(sp.half_angle_deg * kRadians) * sp.breakup_mm * 0.75 * (0.3 + spoil_a) * scale;
    const double sign = spoil_b ? 1.0 : -1.0;
    if (std::abs(dy) > std::abs(dx)) {
      s.camera.exit_px.x = sign > 0.0 ? rec.width - 1 - side : side;
    } else {
      s.camera.exit_px.y = sign > 0.0 ? rec.height - 1 - side : side;
    }
  } else if (s.negative == "overexposed_partly") {
    s.marginal = true;
    rec.gain = std::exp(spoil_a * std::log(5.0));
  } else if (s.negative == "defocused_partly") {
    s.marginal = true;
    rec.defocus_px = std::exp(spoil_a * std::log(10.0));
  } else if (s.negative == "barely_open") {
    s.marginal = true;
    sp.half_angle_deg = 1.2 * std::exp(spoil_a * std::log(8.0));
    s.angle_rise_deg = 0.0;
    sp.pulsation_deg = 0.0;
  } else if (s.negative == "moving_background") {
    s.marginal = true;
    rec.moving = 0.01 * std::exp(spoil_a * std::log(50.0));
  } else if (s.negative == "overexposed") {
    rec.gain = frontlit ? 8.0 + 12.0 * spoil_a : 5.0 + 8.0 * spoil_a;
    s.look.wall_depth = std::min(s.look.wall_depth, 0.3);
  } else if (s.negative == "defocused") {
    rec.defocus_px = 10.0 + 12.0 * spoil_a;
  }

  // What the rig says, in error by draws from its u.
  const Camera camera = MakeCamera(s.camera);
  s.shown_px_per_mm = camera.PxPerMmAtExit();
  Random rig(seed, "rig");
  // Drawn in any case, so that a clip with the rig measured differs from the one without in nothing else.
  const auto known = [rig_measured](double measured, double drawn) {
    return rig_measured ? measured : drawn;
  };
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
      keys.Number("rated_bar", rig.Chance(0.8) ? std::ceil(*highest) + 4.0 : 0.0, "0: rig is silent");
  if (rated > 0.0) s.rated_bar = rated;
  const bool stations_written = rig.Chance(0.4) || !s.breakup_in_view;
  if (keys.Flag("stations_written", stations_written, "rig gives [stations]")) {
    const double shortest = sp.breakup_mm * std::exp(-s.breakup_power * log_span);
    const double far = std::min(
        {0.75 * shortest, 0.72 * depth_mm, 0.9 * side_mm / std::tan(std::max(widest, 5.0) * kRadians)});
    const double near = std::min(std::max(1.0, 2.0 * exit_mm), 0.5 * far);
    s.near_mm = std::round(near * 100.0) / 100.0;
    s.far_mm = std::round(far * 100.0) / 100.0;
  }
  keys.CheckAllUsed();
  return s;
}

Instant SteadyInstant(const Scene& scene, double drop_bar, double time_s, double travel_mm) {
  Instant now;
  now.time_s = time_s;
  now.travel_mm = travel_mm;
  const double part = std::max(drop_bar, 1e-6) / scene.reference_bar;
  // Below a fraction of the level the swirl is not there yet: a dribble, a narrow tulip, then the cone.
  const double formed = std::min(1.0, std::sqrt(part / 0.35));
  const double angle =
      (scene.spray.half_angle_deg + scene.angle_rise_deg * std::log(std::max(part, 0.3))) * formed;
  now.tan_a = std::tan(std::max(angle, 0.05) * kRadians);
  now.breakup_mm = scene.spray.breakup_mm * std::pow(std::clamp(part, 0.3, 10.0), -scene.breakup_power);
  const double full_m_s =
      scene.velocity_part * std::sqrt(2e5 * std::max(drop_bar, 0.0) / scene.stand.density_kg_m3);
  if (!scene.stages.empty()) {
    const auto away = [&](std::size_t i) {
      return std::abs(std::log(std::max(drop_bar, 1e-3) / scene.stand.drops_bar[i]));
    };
    std::size_t nearest = 0;
    for (std::size_t i = 1; i < scene.stages.size(); ++i) {
      if (away(i) < away(nearest)) nearest = i;
    }
    now.stage = scene.stages[nearest];
  }
  if (now.stage == Stage::kOnion) {
    now.closes_mm = scene.onion_closes_mm;
    now.breakup_mm = scene.onion_breakup_mm;
  } else if (now.stage == Stage::kTulip) {
    now.closes_mm = scene.tulip_closes_part * now.breakup_mm;
  } else if (now.stage == Stage::kPencil) {
    now.tan_a = std::tan(scene.pencil_deg * kRadians);
    now.breakup_mm = scene.onion_breakup_mm;
    now.wave_part = std::min(1.0, 0.3 * scene.spray.r0_mm / scene.spray.wave_mm);
  }
  now.axial_m_s = std::max(full_m_s / std::sqrt(1.0 + now.tan_a * now.tan_a), 0.05);
  return now;
}

}  // namespace conebook::render
