#include "render/clip.h"

#include <algorithm>
#include <cmath>
#include <fstream>
#include <numbers>
#include <stdexcept>

#include <fmt/format.h>

#include "render/flying_drops.h"
#include "render/random.h"
#include "render/recorder.h"
#include "render/sheet_edge.h"
#include "render/video_writer.h"

namespace conebook::render {
namespace {

constexpr double kRadians = std::numbers::pi / 180.0;
constexpr double kLimbPx = 50.0;  // more than any wave or blur reaches inwards of the limb band

std::string Number(double v) {
  if (!std::isfinite(v)) return "null";
  std::string text = fmt::format("{:.8g}", v);
  return text;
}
std::string Number(std::optional<double> v) {
  return v ? Number(*v) : "null";
}

std::string List(const std::vector<std::optional<double>>& values, double factor, int decimals) {
  std::string out = "[";
  for (std::size_t i = 0; i < values.size(); ++i) {
    if (i > 0) out += ",";
    out += values[i] ? fmt::format("{:.{}f}", *values[i] * factor, decimals) : "null";
  }
  return out + "]";
}

void WriteText(const std::filesystem::path& path, const std::string& text) {
  std::ofstream out(path, std::ios::binary);
  out << text;
  if (!out.flush()) throw std::runtime_error("cannot write " + path.string());
}

// Both sides of a boundary against z, mm, outwards positive.
struct Sides {
  std::vector<std::optional<double>> z_mm[2], x_mm[2];
};

struct Angles {
  std::optional<double> right_deg, left_deg;
};

Angles Fit(const Sides& sides, double near_mm, double far_mm) {
  Angles angles;
  for (const Side side : {kRight, kLeft}) {
    std::vector<double> z, x;
    for (std::size_t i = 0; i < sides.z_mm[side].size(); ++i) {
      if (!sides.z_mm[side][i] || !sides.x_mm[side][i]) continue;
      if (*sides.z_mm[side][i] < near_mm || *sides.z_mm[side][i] > far_mm) continue;
      z.push_back(*sides.z_mm[side][i]);
      x.push_back(*sides.x_mm[side][i]);
    }
    const auto line = RobustLine(z, x);
    if (line) (side == kRight ? angles.right_deg : angles.left_deg) = std::atan(line->slope) / kRadians;
  }
  return angles;
}

std::string AnglesText(const Angles& a, double near_mm, double far_mm) {
  std::optional<double> mean, lean;
  if (a.right_deg && a.left_deg) {
    mean = 0.5 * (*a.right_deg + *a.left_deg);
    lean = 0.5 * (*a.right_deg - *a.left_deg);
  }
  return fmt::format(R"({{"near_mm":{},"far_mm":{},"mean":{},"left":{},"right":{},"lean":{}}})",
                     Number(near_mm), Number(far_mm), Number(mean), Number(a.left_deg), Number(a.right_deg),
                     Number(lean));
}

std::string SidesText(const Sides& sides, const Angles& angles, double near_mm, double far_mm) {
  return fmt::format(R"({{"right_z_mm":{},"right_mm":{},"left_z_mm":{},"left_mm":{},"half_angle":{}}})",
                     List(sides.z_mm[kRight], 1.0, 4), List(sides.x_mm[kRight], 1.0, 4),
                     List(sides.z_mm[kLeft], 1.0, 4), List(sides.x_mm[kLeft], 1.0, 4),
                     AnglesText(angles, near_mm, far_mm));
}

using Levels = std::array<double, 2>;
Levels LevelsOf(const std::vector<const BoundaryStack*>& stacks, int from, int to) {
  Levels levels{};
  for (const Side side : {kRight, kLeft}) {
    std::vector<float> peaks;
    for (const BoundaryStack* stack : stacks) stack->Peaks(side, from, to, peaks);
    levels[side] = peaks.empty() ? 0.0 : kBoundaryPart * MedianOf(std::move(peaks));
  }
  return levels;
}

// Adds pictures by `draw` and instants until the line between two rows is known to u_deg.
template <typename Next, typename Draw>
void Settle(LongTimeBoundary& boundary, Next next, Draw draw, int first_pictures, int most_pictures,
            double u_deg, int near_row, int far_row) {
  constexpr int kStep = 24;
  constexpr int kInstants = 800;
  constexpr int kMostInstants = 16 * kInstants;
  std::vector<Instant> instants;
  const auto instant = [&](int i) -> const Instant& {
    while (static_cast<int>(instants.size()) <= i) instants.push_back(next());
    return instants[static_cast<std::size_t>(i)];
  };
  int pictures = std::min(first_pictures, most_pictures);
  int wanted = std::max(kInstants, pictures);
  for (;;) {
    while (boundary.stack.Frames() < pictures) draw(instant(boundary.stack.Frames()), boundary.stack);
    while (boundary.edge.Instants() < wanted) boundary.edge.Add(instant(boundary.edge.Instants()));
    const Levels levels = LevelsOf({&boundary.stack}, near_row, far_row);
    const auto error = boundary.ErrorDeg(levels, near_row, far_row);
    if (!error) return;
    // Each part may have its share; the pictures' is the larger, since they cost the most.
    const bool more_pictures = error->pictures_deg > 0.9 * u_deg && pictures < most_pictures;
    const bool more_instants = error->geometry_deg > 0.45 * u_deg && wanted < kMostInstants;
    if (!more_pictures && !more_instants) return;
    if (more_pictures) pictures = std::min(pictures + kStep, most_pictures);
    if (more_instants) wanted = std::min(2 * wanted, kMostInstants);
  }
}

}  // namespace

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

Timeline::Timeline(const Scene& scene) : scene_(scene) {
  const double end_s = scene.recording.frames / scene.recording.fps + 2.0 / scene.recording.fps + 1e-3;
  t0_s_ = scene.prespray ? scene.open_video_s : 0.0;
  base_mm_ = scene.prespray ? 0.0 : 2e4;
  step_s_ = std::min(5e-4, 0.2 / scene.recording.fps);
  double travel = 0.0;
  for (double t = t0_s_; t < end_s; t += step_s_) {
    travel_mm_.push_back(travel);
    const double log_s = t + 0.5 * step_s_ + scene.log_minus_video_s;
    // What has left the exit flies on when the valve shuts.
    const double drop = scene.stand.drops_bar.empty()
                            ? 0.0
                            : Stand(scene.stand).DropBar(std::min(log_s, scene.stand.close_s));
    if (drop > 0.01) travel += 1e3 * step_s_ * SteadyInstant(scene, drop, t, 0.0).axial_m_s;
  }
}

double Timeline::TravelMm(double video_s) const {
  const double place = std::max(0.0, (video_s - t0_s_) / step_s_);
  const auto i = std::min(static_cast<std::size_t>(place), travel_mm_.size() - 2);
  return travel_mm_[i] + (place - static_cast<double>(i)) * (travel_mm_[i + 1] - travel_mm_[i]);
}

Instant Timeline::At(double video_s) const {
  const double drop = Stand(scene_.stand).DropBar(video_s + scene_.log_minus_video_s);
  Instant now = SteadyInstant(scene_, drop, video_s, 0.0);
  if (video_s < t0_s_ || travel_mm_.empty()) {
    now.front_mm = -1.0;
    return now;
  }
  const double travel = TravelMm(video_s);
  now.travel_mm = base_mm_ + travel;
  now.line_s = 1e-6 * scene_.recording.rolling_us;
  now.front_mm = scene_.prespray ? travel : 1e9;
  // Once the pressure is gone nothing follows.
  const double empty_s = scene_.stand.close_s + 2.0 * scene_.stand.rise_s - scene_.log_minus_video_s;
  if (video_s > empty_s) now.tail_mm = travel - TravelMm(empty_s);
  return now;
}

void RenderSignal(const Scene& scene, const Spray& spray, const Camera& nozzle, const Instant& now,
                  Pixel shift, bool with_drops, const Limb& limb, FloatImage& signal, SheetExtent* extent) {
  signal.Reset(nozzle.width, nozzle.height);
  const double exposure_s = scene.recording.exposure_s;
  const bool drips = scene.negative == "drip" || (now.stage == Stage::kDribble && now.front_mm > 0.0);
  if (now.front_mm > 0.0 && scene.negative != "no_spray" && scene.negative != "walker" && !drips) {
    const double smear_mm = 1e3 * exposure_s * now.axial_m_s;
    const double smear_px = smear_mm * nozzle.PxPerMmAtExit();
    const int parts = std::clamp(static_cast<int>(std::ceil(smear_px / 2.5)), 1, 10);
    const double pitch_px = std::min(1.05 * std::pow(parts, 0.42), 2.6);
    std::vector<double> directions = scene.jets_deg;
    const FaultSetting& faults = scene.recording.faults;
    const double draught_deg =
        faults.lean_swing_deg * std::sin(2.0 * std::numbers::pi * faults.lean_swing_hz * now.time_s);
    if (directions.empty()) directions.push_back(scene.lean_deg + draught_deg);
    for (const double direction_deg : directions) {
      const Camera leaned = Leaned(nozzle, direction_deg);
      for (int i = 0; i < parts; ++i) {
        Instant part = now;
        const double off = (i + 0.5) / parts - 0.5;
        part.travel_mm += off * smear_mm;
        part.time_s += off * exposure_s;
        AddSheet(spray, leaned, scene.look, part, 1.0 / parts, pitch_px, limb, shift, signal, extent);
      }
      if (with_drops) AddDrops(spray, leaned, scene.look, now, exposure_s, shift, signal);
    }
  }
  if (drips) AddDrip(spray, nozzle, scene.look, now.time_s, shift, signal);
  SignalFromDepth(signal, std::hypot(scene.look.blur_px, scene.recording.defocus_px));
}

std::string RigText(const Scene& s, const ClipOptions& options) {
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
  static_cast<void>(options);
  return out;
}

void RenderClip(const Scene& s, const std::filesystem::path& directory, const ClipOptions& options) {
  std::filesystem::create_directories(directory);
  const RecordingSetting& rec = s.recording;
  const Camera camera = MakeCamera(s.camera);
  const Spray spray(s.spray);
  const Timeline timeline(s);
  const Recorder recorder(s, camera);
  const Stand stand(s.stand);
  const auto steady = stand.Points();
  const double scale = s.shown_px_per_mm;

  // Stations: the rig's, or the contract's default from the true breakup.
  double shortest_mm = 1e9;
  for (const auto& point : steady)
    shortest_mm = std::min(shortest_mm, SteadyInstant(s, point.drop_bar, 0.0, 0.0).breakup_mm);
  const double near_mm = s.near_mm.value_or(std::max(1.0, 2.0 * *s.exit_diameter_mm.stated));
  const double far_mm = s.far_mm.value_or(0.75 * shortest_mm);

  // Frame times: capture time and container time.
  Random clock(s.seed, "clock");
  std::vector<double> times_s;
  double dropped = 0.0;
  for (int i = 0; i < rec.frames; ++i) {
    const double jitter = rec.variable_rate && i > 0 ? 0.08 * clock.Normal() / rec.fps : 0.0;
    if (rec.variable_rate && i > 2 && clock.Chance(0.015)) dropped += 1.0;
    const double t = (i + dropped) / rec.fps + std::clamp(jitter, -0.3 / rec.fps, 0.3 / rec.fps);
    times_s.push_back(std::round(t * 90000.0) / 90000.0);
  }
  // A high-speed camera's clock is its own; the container's stamps are rounded, the frames were not.
  if (!rec.variable_rate)
    for (int i = 0; i < rec.frames; ++i) times_s[static_cast<std::size_t>(i)] = i / rec.fps;

  // Points in video time. After the pressure has settled the liquid still has to fill the view.
  struct Point {
    double t0_s, t1_s;
    int frames = 0;
  };
  std::vector<Point> points;
  const double last_s = times_s.back() + 0.5 / rec.fps;
  for (const auto& p : steady) {
    const Instant now = SteadyInstant(s, p.drop_bar, 0.0, 0.0);
    const double fill_s = 1.3e-3 * now.breakup_mm / now.axial_m_s;
    points.push_back({std::max(0.0, p.t0_s + fill_s - s.log_minus_video_s),
                      std::min(last_s, p.t1_s - s.log_minus_video_s)});
  }

  const int rows =
      static_cast<int>(std::ceil(
          std::min(1.3 * s.spray.breakup_mm, 1.05 * std::hypot(rec.width, rec.height) / scale) * scale)) +
      2;
  const double sd = std::hypot(s.look.blur_px, rec.defocus_px);
  std::vector<BoundaryStack> own(points.size(), BoundaryStack(rows, sd));
  const bool turned = rec.rotation_deg == 90 || rec.rotation_deg == 270;
  ClipWriter writer(directory, rec, turned ? rec.height : rec.width, turned ? rec.width : rec.height);
  FloatImage signal;
  SheetExtent extent;
  double spray_start_s = -1.0;
  double stamp_s = 0.0;
  for (int i = 0; i < rec.frames; ++i) {
    // A frame that repeats the one before is that frame, again.
    const bool repeats =
        rec.faults.repeat_every > 0 && i % rec.faults.repeat_every == rec.faults.repeat_every - 1;
    const int shown = repeats && i > 0 ? i - 1 : i;
    const double t = times_s[static_cast<std::size_t>(shown)];
    const Instant now = timeline.At(t);
    const Pixel shift = recorder.NozzleShift(t);
    extent.Reset(camera, shift, rows);
    RenderSignal(s, spray, camera, now, shift, true, {}, signal, &extent);
    if (spray_start_s < 0.0 && now.front_mm > s.spray.exit_radius_mm) spray_start_s = t;
    for (std::size_t p = 0; p < points.size(); ++p) {
      if (t < points[p].t0_s || t > points[p].t1_s) continue;
      ++points[p].frames;
      own[p].Add(signal, extent);
    }
    const double plain_s = rec.state_fps ? i / rec.playback_fps : times_s[static_cast<std::size_t>(i)];
    if (rec.faults.ramp != 1.0 && i > 0) {
      const bool slow = 3 * i > rec.frames && 3 * i < 2 * rec.frames;
      stamp_s += (slow ? rec.faults.ramp : 1.0) / (rec.state_fps ? rec.playback_fps : rec.fps);
    }
    writer.Write(recorder.Record(signal, t, shown), rec.faults.ramp != 1.0 ? stamp_s : plain_s);
  }
  writer.Finish();

  WriteText(directory / options.rig_name, RigText(s, options));
  if (s.lens_file) {
    WriteText(
        directory / "lens.toml",
        fmt::format(
            "[lens]\nwidth_px = {}\nheight_px = {}\nfx_px = {:.3f}\nfy_px = {:.3f}\ncx_px = {:.3f}\ncy_px = "
            "{:.3f}\nk1 = {:.8g}\nk2 = {:.8g}\np1 = {:.8g}\np2 = {:.8g}\nk3 = 0.0\nrms_px = 0.2\n",
            rec.width, rec.height, s.camera.focal_px, s.camera.focal_px, 0.5 * (rec.width - 1),
            0.5 * (rec.height - 1), s.camera.k1 + 0.0, s.camera.k2 + 0.0, s.camera.p1 + 0.0,
            s.camera.p2 + 0.0));
  }
  WriteText(directory / options.log_name, LogText(stand, s.log_format));

  // Boundaries.
  const int near_row = static_cast<int>(std::ceil(near_mm * scale));
  const int far_row = static_cast<int>(std::floor(far_mm * scale)) + 1;
  const Camera stated = StatedCamera(s);
  SheetExtent axes;
  axes.Reset(camera, {}, 1);
  const auto on_picture = [&](const BoundaryStack& stack, const Levels& levels, Side side) {
    std::vector<std::optional<Pixel>> out;
    const auto edge = stack.Median(side, levels[side]);
    const double sign = side == kRight ? 1.0 : -1.0;
    for (std::size_t k = 0; k < edge.size(); ++k) {
      if (!edge[k]) {
        out.emplace_back();
        continue;
      }
      const double down = static_cast<double>(k);
      const double x = sign * *edge[k];
      out.emplace_back(Pixel{axes.origin.x + down * axes.along.x + x * axes.across.x,
                             axes.origin.y + down * axes.along.y + x * axes.across.y});
    }
    return out;
  };
  const auto plain = [&](const auto& stack, const Levels& levels, double per_mm) {
    Sides sides;
    for (const Side side : {kRight, kLeft}) {
      const auto edge = stack.Median(side, levels[side]);
      for (std::size_t k = 0; k < edge.size(); k += 2) {
        sides.z_mm[side].emplace_back(static_cast<double>(k) / per_mm);
        sides.x_mm[side].push_back(edge[k] ? std::optional<double>(*edge[k] / per_mm) : std::nullopt);
      }
    }
    return sides;
  };

  // Long-time truth: independent pictures of each point, by the ideal camera and by the clip's own.
  std::vector<LongTimeBoundary> ideal, real;
  if (!options.fast && (s.negative.empty() || s.marginal)) {
    const double widest =
        std::tan((s.spray.half_angle_deg + 4.0 + std::abs(s.lean_deg) + s.spray.pulsation_deg) * kRadians);
    const int half_width = static_cast<int>(std::min(1.25 * widest * far_mm * scale + 60.0, 1500.0));
    const int ideal_rows = std::min(rows, static_cast<int>(1.12 * far_mm * scale) + 20);
    const Camera space =
        MakeIdealCamera(2 * half_width + 1, ideal_rows + 20, scale, {static_cast<double>(half_width), 6.0});
    const double last_mm = std::min(1.15 * far_mm, ideal_rows / scale);
    for (const auto& point : steady) {
      const Instant now = SteadyInstant(s, point.drop_bar, 0.0, 0.0);
      for (const bool own_camera : {false, true}) {
        const Camera& seen_by = own_camera ? camera : space;
        auto& boundary = (own_camera ? real : ideal)
                             .emplace_back(LongTimeBoundary{
                                 BoundaryStack(ideal_rows, sd),
                                 SheetEdge(spray, seen_by, s.lean_deg, rec.exposure_s, now, last_mm)});
        const Limb limb{kLimbPx, boundary.edge.TurnRad() + 0.05};
        Random far(s.seed, "far");
        double travel = 1e5;
        double t = 100.0;
        const auto next = [&] {
          Instant at = SteadyInstant(s, point.drop_bar, t, travel);
          at.stop_mm = 1.15 * far_mm + 1.0;
          travel += at.breakup_mm * far.Uniform(3.0, 9.0);
          t += far.Uniform(1.0, 3.0) / std::max(s.spray.pulsation_hz, 1.0);
          return at;
        };
        const auto draw = [&](const Instant& at, BoundaryStack& stack) {
          extent.Reset(seen_by, {}, ideal_rows);
          RenderSignal(s, spray, seen_by, at, {}, true, limb, signal, &extent);
          stack.Add(signal, extent);
        };
        // Whether it is enough is judged by scatter, so not from too few. Nothing of the boundary's truth
        // rests on the clip's own camera: rougher will do.
        const int first = own_camera ? 24 : 48;
        const int most = own_camera ? (options.truth_frames + 3) / 4 : options.truth_frames;
        Settle(boundary, next, draw, first, most,
               own_camera ? 2.0 * options.truth_u_deg : options.truth_u_deg, near_row, far_row);
      }
    }
  }

  // truth.json
  std::string out = "{\n";
  const bool good = s.negative.empty();
  const bool has_truth = good || s.marginal;
  out += fmt::format(" \"seed\":{},\n \"kind\":\"{}\",\n \"negative\":{},\n \"expected\":\"{}\",\n", s.seed,
                     good         ? "good"
                     : s.marginal ? "marginal"
                                  : "negative",
                     good ? "null" : "\"" + s.negative + "\"",
                     good         ? "measured"
                     : s.marginal ? "either"
                                  : "rejected");
  const auto flag = [](bool b) { return b ? "true" : "false"; };
  out += fmt::format(
      " \"group\":{{\"camera\":\"{}\",\"light\":\"{}\",\"film\":\"{}\",\"codec\":\"{}\",\"container\":\"{}\","
      "\"clean\":{},"
      "\"prespray\":{},\"haze\":{},\"shake\":{},\"window_drops\":{},\"pulsation\":{},\"rotation\":{},"
      "\"variable_rate\":{},"
      "\"breakup_in_view\":{},\"points\":{},\"lens_file\":{},\"sync_given\":{},\"lost_limb\":{},\"exit_"
      "given\":{}}},\n",
      s.camera_kind, s.light, s.look.film == Film::kGrey ? "grey" : "clear", rec.codec, rec.container,
      flag(s.clean), flag(s.prespray), flag(rec.haze > 0.0), flag(rec.shake_px > 0.0),
      flag(rec.window_drops > 0), flag(s.spray.pulsation_deg > 0.0), rec.rotation_deg,
      flag(rec.variable_rate), flag(s.breakup_in_view), points.size(), flag(s.lens_file),
      flag(s.sync_s.stated.has_value()), flag(s.look.lost_side != 0.0), flag(s.exit_x_px.stated.has_value()));
  out += fmt::format(" \"clip\":\"{}\",\n", writer.Name());
  const auto number = [&out](const char* key, double v) {
    out += fmt::format("  \"{}\":{},\n", key, Number(v));
  };
  out += " \"true\":{\n";
  number("px_per_mm", s.shown_px_per_mm);
  out += fmt::format("  \"exit_px\":[{},{}],\n", Number(s.camera.exit_px.x), Number(s.camera.exit_px.y));
  number("exit_diameter_mm", 2.0 * s.spray.exit_radius_mm);
  number("r0_mm", s.spray.r0_mm);
  number("tilt_deg", s.camera.tilt_deg);
  number("axis_deg", s.camera.axis_deg);
  number("lean_deg", s.lean_deg);
  number("distance_mm", s.camera.distance_mm);
  number("focal_px", s.camera.focal_px);
  out += fmt::format("  \"lens\":{{\"k1\":{},\"k2\":{},\"p1\":{},\"p2\":{}}},\n", Number(s.camera.k1),
                     Number(s.camera.k2), Number(s.camera.p1), Number(s.camera.p2));
  number("half_angle_deg", s.spray.half_angle_deg);
  number("breakup_scatter", s.spray.breakup_scatter);
  number("wave_mm", s.spray.wave_mm);
  number("wave_growth", s.spray.wave_growth);
  number("wave_length_mm", s.spray.wave_length_mm);
  number("ligament_reach", s.spray.ligament_reach);
  number("d32_um", s.spray.drop_um * std::exp(2.5 * s.spray.drop_spread * s.spray.drop_spread));
  number("drop_spread", s.spray.drop_spread);
  number("drops_per_mm", s.spray.drops_per_mm);
  number("drop_scatter_deg", s.spray.drop_scatter_deg);
  number("pulsation_hz", s.spray.pulsation_deg > 0.0 ? s.spray.pulsation_hz : 0.0);
  number("pulsation_deg", s.spray.pulsation_deg);
  number("wall_depth", s.look.wall_depth);
  number("limb_depth", s.look.limb_depth);
  number("limb_softness", s.look.limb_softness);
  number("interior_depth", s.look.interior_depth);
  number("blur_px", sd);
  number("exposure_s", rec.exposure_s);
  number("field", rec.field);
  number("full_well", rec.full_well);
  number("read_noise", rec.read_noise);
  number("flicker", rec.flicker);
  number("exposure_drift", rec.exposure_drift);
  number("shake_px", rec.shake_px);
  number("haze", rec.haze);
  number("sharpen", rec.sharpen);
  number("quality", rec.quality);
  number("bit_rate_mbit", rec.bit_rate_mbit);
  number("fps", rec.fps);
  number("density_kg_m3", s.stand.density_kg_m3);
  number("temperature_c", s.stand.temperature_c);
  number("cd", s.stand.flow_area_mm2 / (std::numbers::pi * s.spray.exit_radius_mm * s.spray.exit_radius_mm));
  number("flow_area_mm2", s.stand.flow_area_mm2);
  number("meter_lag_s", s.stand.meter_lag_s);
  number("log_rate_hz", s.stand.rate_hz);
  number("log_minus_video_s", s.log_minus_video_s);
  out += fmt::format("  \"liquid_start_s\":{},\n  \"spray_start_s\":{},\n",
                     s.prespray ? Number(s.open_video_s) : "null",
                     spray_start_s < 0.0 ? "null" : Number(spray_start_s));
  out += fmt::format("  \"width\":{},\n  \"height\":{},\n  \"frames\":{}\n }},\n", rec.width, rec.height,
                     rec.frames);
  out += fmt::format(" \"stations\":{{\"near_mm\":{},\"far_mm\":{},\"stated\":{}}},\n", Number(near_mm),
                     Number(far_mm), flag(s.near_mm.has_value()));
  out += fmt::format(
      " \"rig\":{{\"px_per_mm\":{},\"exit_px\":{},\"exit_diameter_mm\":{},\"axis_deg\":{},\"tilt_deg\":{},"
      "\"distance_mm\":{},\"focal_px\":{},\"log_minus_video_s\":{}}},\n",
      Number(s.px_per_mm.stated),
      s.exit_x_px.stated ? fmt::format("[{},{}]", Number(*s.exit_x_px.stated), Number(*s.exit_y_px.stated))
                         : "null",
      Number(s.exit_diameter_mm.stated), Number(s.axis_deg.stated), Number(s.tilt_deg.stated),
      Number(s.distance_mm.stated), Number(s.focal_px.stated), Number(s.sync_s.stated));
  out += " \"boundary_sides\":\"outwards positive on either side\",\n \"points\":[\n";
  std::vector<const BoundaryStack*> own_stacks, ideal_stacks, real_stacks;
  for (const BoundaryStack& stack : own) own_stacks.push_back(&stack);
  for (const LongTimeBoundary& boundary : ideal) ideal_stacks.push_back(&boundary.stack);
  for (const LongTimeBoundary& boundary : real) real_stacks.push_back(&boundary.stack);
  const Levels own_levels = LevelsOf(own_stacks, near_row, far_row);
  const Levels ideal_levels = LevelsOf(ideal_stacks, near_row, far_row);
  const Levels real_levels = LevelsOf(real_stacks, near_row, far_row);
  const auto error_text = [&](const LongTimeBoundary& boundary, const Levels& levels) {
    const auto error = boundary.ErrorDeg(levels, near_row, far_row);
    return fmt::format(R"({{"mean_deg":{},"pictures":{},"instants":{}}})",
                       Number(error ? std::optional<double>(error->SumDeg()) : std::nullopt),
                       boundary.stack.Frames(), boundary.edge.Instants());
  };
  for (std::size_t p = 0; has_truth && p < points.size(); ++p) {
    const Instant now = SteadyInstant(s, steady[p].drop_bar, 0.0, 0.0);
    const double area = std::numbers::pi * s.spray.exit_radius_mm * s.spray.exit_radius_mm;
    out += p == 0 ? "  {" : ",\n  {";
    out += fmt::format("\"t0_s\":{},\"t1_s\":{},\"log_t0_s\":{},\"log_t1_s\":{},\"frames\":{},\n",
                       Number(points[p].t0_s), Number(points[p].t1_s), Number(steady[p].t0_s),
                       Number(steady[p].t1_s), points[p].frames);
    out += fmt::format("   \"pressure_bar\":{},\"flow_kg_s\":{},\"flow_area_mm2\":{},\"cd\":{},\n",
                       Number(steady[p].drop_bar), Number(steady[p].flow_kg_s), Number(s.stand.flow_area_mm2),
                       Number(s.stand.flow_area_mm2 / area));
    const Pixel beyond = camera.Project(camera.exit_mm + (1.3 * now.breakup_mm) * camera.axis);
    const bool in_view = beyond.x > 0.0 && beyond.y > 0.0 && beyond.x < rec.width && beyond.y < rec.height;
    out += fmt::format("   \"stage\":\"{}\",\"closes_mm\":{},\n", NameOf(now.stage),
                       now.closes_mm > 0.0 ? Number(now.closes_mm) : "null");
    out += fmt::format(
        "   \"breakup_mm\":{},\"breakup_in_view\":{},\"sheet_cone_deg\":{},\"r0_mm\":{},\"axial_m_s\":{},"
        "\"wave_m_s\":{},\n",
        Number(now.breakup_mm), flag(in_view), Number(std::atan(now.tan_a) / kRadians), Number(s.spray.r0_mm),
        Number(now.axial_m_s), Number(spray.WaveSpeedPart() * now.axial_m_s));
    // Mean sheet, wave-free: r(z) about the leaned axis, seen from the side.
    Sides sheet;
    const double lean = s.lean_deg * kRadians;
    for (const Side side : {kRight, kLeft}) {
      const double sign = side == kRight ? 1.0 : -1.0;
      for (int i = 1; i <= 200; ++i) {
        const double z = 1.1 * now.breakup_mm * i / 200.0;
        const double r = spray.RadiusAt(z, now.tan_a, now.closes_mm);
        sheet.z_mm[side].emplace_back(z * std::cos(lean) - sign * r * std::sin(lean));
        sheet.x_mm[side].emplace_back(r * std::cos(lean) + sign * z * std::sin(lean));
      }
    }
    out += "   \"mean_sheet\":" + SidesText(sheet, Fit(sheet, near_mm, far_mm), near_mm, far_mm) + ",\n";
    if (p < ideal.size()) {
      const Sides space = plain(ideal[p], ideal_levels, scale);
      out += "   \"boundary\":" + SidesText(space, Fit(space, near_mm, far_mm), near_mm, far_mm) + ",\n";
      out += "   \"boundary_u\":" + error_text(ideal[p], ideal_levels) + ",\n";
      const Sides apparent = plain(real[p], real_levels, scale);
      out +=
          "   \"apparent\":" + SidesText(apparent, Fit(apparent, near_mm, far_mm), near_mm, far_mm) + ",\n";
      out += "   \"apparent_u\":" + error_text(real[p], real_levels) + ",\n";
    } else {
      out += "   \"boundary\":null,\n   \"apparent\":null,\n";
    }
    const Sides frames_apparent = plain(own[p], own_levels, scale);
    out += "   \"frames_apparent\":" +
           SidesText(frames_apparent, Fit(frames_apparent, near_mm, far_mm), near_mm, far_mm) + ",\n";
    Sides oracle;
    for (const Side side : {kRight, kLeft}) {
      const auto space = ToSpace(stated, on_picture(own[p], own_levels, side),
                                 0.5 * *s.exit_diameter_mm.stated, side, near_mm, far_mm);
      for (std::size_t k = 0; k < space.size(); k += 2) {
        oracle.z_mm[side].push_back(space[k] ? std::optional<double>(space[k]->z_mm) : std::nullopt);
        oracle.x_mm[side].push_back(space[k] ? std::optional<double>(space[k]->x_mm) : std::nullopt);
      }
    }
    out += "   \"frames_boundary\":" + SidesText(oracle, Fit(oracle, near_mm, far_mm), near_mm, far_mm) + "}";
  }
  out += "\n ]\n}\n";
  WriteText(directory / "truth.json", out);
}

}  // namespace conebook::render
