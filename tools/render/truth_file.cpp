#include "render/truth_file.h"

#include <cmath>
#include <numbers>
#include <optional>

#include <fmt/format.h>

#include "render/number_text.h"
#include "render/rig_file.h"

namespace conebook::render {
namespace {

constexpr double kRadians = std::numbers::pi / 180.0;

const char* Bool(bool b) {
  return b ? "true" : "false";
}

std::string List(const std::vector<std::optional<double>>& values, double factor, int decimals) {
  std::string out = "[";
  for (std::size_t i = 0; i < values.size(); ++i) {
    if (i > 0) out += ",";
    out += values[i] ? fmt::format("{:.{}f}", *values[i] * factor, decimals) : "null";
  }
  return out + "]";
}

// Both sides of a boundary against z, mm, outwards positive.
struct Sides {
  std::vector<std::optional<double>> z_mm[2], x_mm[2];
};

struct Angles {
  std::optional<double> right_deg, left_deg;
};

Angles Fit(const Sides& sides, double r0_mm, const StationRows& stations) {
  Angles angles;
  for (const Side side : {kRight, kLeft}) {
    std::vector<double> z, x;
    for (std::size_t i = 0; i < sides.z_mm[side].size(); ++i) {
      if (!sides.z_mm[side][i] || !sides.x_mm[side][i]) continue;
      if (*sides.z_mm[side][i] < stations.near_mm || *sides.z_mm[side][i] > stations.far_mm) continue;
      z.push_back(*sides.z_mm[side][i]);
      x.push_back(*sides.x_mm[side][i]);
    }
    const auto line = RobustLine(z, x, r0_mm, kOddPx / stations.px_per_mm);
    if (line) (side == kRight ? angles.right_deg : angles.left_deg) = std::atan(line->slope) / kRadians;
  }
  return angles;
}

std::string AnglesText(const Angles& a, const StationRows& stations) {
  std::optional<double> mean, lean;
  if (a.right_deg && a.left_deg) {
    mean = 0.5 * (*a.right_deg + *a.left_deg);
    lean = 0.5 * (*a.right_deg - *a.left_deg);
  }
  return fmt::format(R"({{"near_mm":{},"far_mm":{},"mean":{},"left":{},"right":{},"lean":{}}})",
                     Number(stations.near_mm), Number(stations.far_mm), Number(mean), Number(a.left_deg),
                     Number(a.right_deg), Number(lean));
}

std::string SidesText(const Sides& sides, double r0_mm, const StationRows& stations) {
  return fmt::format(R"({{"right_z_mm":{},"right_mm":{},"left_z_mm":{},"left_mm":{},"half_angle":{}}})",
                     List(sides.z_mm[kRight], 1.0, 4), List(sides.x_mm[kRight], 1.0, 4),
                     List(sides.z_mm[kLeft], 1.0, 4), List(sides.x_mm[kLeft], 1.0, 4),
                     AnglesText(Fit(sides, r0_mm, stations), stations));
}

// A boundary as the picture shows it, every second row.
template <typename Boundary>
Sides AgainstZ(const Boundary& boundary, const Levels& levels, double px_per_mm) {
  Sides sides;
  for (const Side side : {kRight, kLeft}) {
    const auto edge = boundary.Median(side, levels[side]);
    for (std::size_t k = 0; k < edge.size(); k += 2) {
      sides.z_mm[side].emplace_back(static_cast<double>(k) / px_per_mm);
      sides.x_mm[side].push_back(edge[k] ? std::optional<double>(*edge[k] / px_per_mm) : std::nullopt);
    }
  }
  return sides;
}

std::vector<std::optional<Pixel>> OnPicture(const BoundaryStack& stack, const Levels& levels, Side side,
                                            const SheetExtent& axes) {
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
}

// The clip's own frames under perfect masks, carried to space by the rig as stated: about an axis leaned in
// the axis plane so that both sides open alike, then turned back. About the nozzle's axis a near camera, who
// sees the sides in front of it, would show the lean too small.
Sides OracleInSpace(const ClipTruth& truth, std::size_t p, const Levels& own) {
  constexpr int kRounds = 5;
  const Scene& s = truth.scene;
  const Camera stated = StatedCamera(s);
  const double r0_mm = 0.5 * *s.exit_diameter_mm.stated;
  SheetExtent axes;
  axes.Reset(truth.camera, {}, 1);
  Sides oracle;
  double lean_deg = 0.0;
  for (int round = 0; round < kRounds; ++round) {
    const Camera leaned = Leaned(stated, lean_deg);
    const double cosine = std::cos(lean_deg * kRadians);
    const double sine = std::sin(lean_deg * kRadians);
    oracle = {};
    for (const Side side : {kRight, kLeft}) {
      const double sign = side == kRight ? 1.0 : -1.0;
      const auto space = ToSpace(leaned, OnPicture(truth.own[p], own, side, axes), r0_mm, side,
                                 truth.stations.near_mm, truth.stations.far_mm);
      for (std::size_t k = 0; k < space.size(); k += 2) {
        const auto turned = [&](double z, double x) {
          return space[k] ? std::optional<double>(z * space[k]->z_mm + x * space[k]->x_mm) : std::nullopt;
        };
        oracle.z_mm[side].push_back(turned(cosine, -sign * sine));
        oracle.x_mm[side].push_back(turned(sign * sine, cosine));
      }
    }
    const Angles found = Fit(oracle, r0_mm, truth.stations);
    if (!found.left_deg || !found.right_deg) break;
    lean_deg = 0.5 * (*found.right_deg - *found.left_deg);
  }
  return oracle;
}

// Wave-free: r(z) about the leaned axis, seen from the side.
Sides MeanSheet(const Scene& s, const Spray& spray, const Instant& now) {
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
  return sheet;
}

std::string ErrorText(const LongTimeBoundary& boundary, const Levels& levels, const StationRows& stations) {
  const auto error = boundary.ErrorDeg(levels, stations.near_row, stations.far_row);
  return fmt::format(R"({{"mean_deg":{},"pictures":{},"instants":{}}})",
                     Number(error ? std::optional<double>(error->SumDeg()) : std::nullopt),
                     boundary.stack.Frames(), boundary.edge.Instants());
}

std::string GroupText(const ClipTruth& truth) {
  const Scene& s = truth.scene;
  const RecordingSetting& rec = s.recording;
  return fmt::format(
      " \"group\":{{\"camera\":\"{}\",\"light\":\"{}\",\"film\":\"{}\",\"codec\":\"{}\",\"container\":\"{}\","
      "\"clean\":{},"
      "\"prespray\":{},\"haze\":{},\"shake\":{},\"window_drops\":{},\"pulsation\":{},\"rotation\":{},"
      "\"variable_rate\":{},"
      "\"breakup_in_view\":{},\"points\":{},\"lens_file\":{},\"sync_given\":{},\"lost_limb\":{},\"exit_"
      "given\":{}}},\n",
      s.camera_kind, s.light, s.look.film == Film::kGrey ? "grey" : "clear", rec.codec, rec.container,
      Bool(s.clean), Bool(s.prespray), Bool(rec.haze > 0.0), Bool(rec.shake_px > 0.0),
      Bool(rec.window_drops > 0), Bool(s.spray.pulsation_deg > 0.0), rec.rotation_deg,
      Bool(rec.variable_rate), Bool(s.breakup_in_view), truth.points.size(), Bool(s.lens_file),
      Bool(s.sync_s.stated.has_value()), Bool(s.look.lost_side != 0.0), Bool(s.exit_x_px.stated.has_value()));
}

std::string TrueText(const ClipTruth& truth) {
  const Scene& s = truth.scene;
  const RecordingSetting& rec = s.recording;
  std::string out;
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
  number("blur_px", std::hypot(s.look.blur_px, rec.defocus_px));
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
                     truth.spray_start_s < 0.0 ? "null" : Number(truth.spray_start_s));
  out += fmt::format("  \"width\":{},\n  \"height\":{},\n  \"frames\":{}\n }},\n", rec.width, rec.height,
                     rec.frames);
  return out;
}

std::string StatedText(const ClipTruth& truth) {
  const Scene& s = truth.scene;
  std::string out;
  out +=
      fmt::format(" \"stations\":{{\"near_mm\":{},\"far_mm\":{},\"stated\":{}}},\n",
                  Number(truth.stations.near_mm), Number(truth.stations.far_mm), Bool(s.near_mm.has_value()));
  out += fmt::format(
      " \"rig\":{{\"px_per_mm\":{},\"exit_px\":{},\"exit_diameter_mm\":{},\"axis_deg\":{},\"tilt_deg\":{},"
      "\"distance_mm\":{},\"focal_px\":{},\"log_minus_video_s\":{}}},\n",
      Number(s.px_per_mm.stated),
      s.exit_x_px.stated ? fmt::format("[{},{}]", Number(*s.exit_x_px.stated), Number(*s.exit_y_px.stated))
                         : "null",
      Number(s.exit_diameter_mm.stated), Number(s.axis_deg.stated), Number(s.tilt_deg.stated),
      Number(s.distance_mm.stated), Number(s.focal_px.stated), Number(s.sync_s.stated));
  return out;
}

struct ClipLevels {
  Levels own{}, ideal{}, long_own{};
};

ClipLevels LevelsOfClip(const ClipTruth& truth) {
  std::vector<const BoundaryStack*> own;
  std::vector<const BoundaryStack*> ideal;
  std::vector<const BoundaryStack*> long_own;
  for (const BoundaryStack& stack : truth.own) own.push_back(&stack);
  for (const LongTimeBoundary& boundary : truth.long_time.ideal) ideal.push_back(&boundary.stack);
  for (const LongTimeBoundary& boundary : truth.long_time.own) long_own.push_back(&boundary.stack);
  return {LevelsOf(own, truth.stations), LevelsOf(ideal, truth.stations), LevelsOf(long_own, truth.stations)};
}

std::string PointText(const ClipTruth& truth, std::size_t p, const Stand::Steady& level,
                      const ClipLevels& levels) {
  const Scene& s = truth.scene;
  const RecordingSetting& rec = s.recording;
  const Camera& camera = truth.camera;
  const ClipPoint& point = truth.points[p];
  const Instant now = SteadyInstant(s, level.drop_bar, 0.0, 0.0);
  const double area = std::numbers::pi * s.spray.exit_radius_mm * s.spray.exit_radius_mm;
  std::string out = "  {";
  out += fmt::format("\"t0_s\":{},\"t1_s\":{},\"log_t0_s\":{},\"log_t1_s\":{},\"frames\":{},\n",
                     Number(point.t0_s), Number(point.t1_s), Number(level.t0_s), Number(level.t1_s),
                     point.frames);
  out += fmt::format("   \"pressure_bar\":{},\"flow_kg_s\":{},\"flow_area_mm2\":{},\"cd\":{},\n",
                     Number(level.drop_bar), Number(level.flow_kg_s), Number(s.stand.flow_area_mm2),
                     Number(s.stand.flow_area_mm2 / area));
  const Pixel beyond = camera.Project(camera.exit_mm + (1.3 * now.breakup_mm) * camera.axis);
  const bool in_view = beyond.x > 0.0 && beyond.y > 0.0 && beyond.x < rec.width && beyond.y < rec.height;
  out += fmt::format("   \"stage\":\"{}\",\"closes_mm\":{},\n", NameOf(now.stage),
                     now.closes_mm > 0.0 ? Number(now.closes_mm) : "null");
  out += fmt::format(
      "   \"breakup_mm\":{},\"breakup_in_view\":{},\"sheet_cone_deg\":{},\"r0_mm\":{},\"axial_m_s\":{},"
      "\"wave_m_s\":{},\n",
      Number(now.breakup_mm), Bool(in_view), Number(std::atan(now.tan_a) / kRadians), Number(s.spray.r0_mm),
      Number(now.axial_m_s), Number(truth.spray.WaveSpeedPart() * now.axial_m_s));
  out +=
      "   \"mean_sheet\":" + SidesText(MeanSheet(s, truth.spray, now), s.spray.r0_mm, truth.stations) + ",\n";
  if (p < truth.long_time.ideal.size()) {
    const Sides space = AgainstZ(truth.long_time.ideal[p], levels.ideal, truth.stations.px_per_mm);
    out += "   \"boundary\":" + SidesText(space, s.spray.r0_mm, truth.stations) + ",\n";
    out += "   \"boundary_u\":" + ErrorText(truth.long_time.ideal[p], levels.ideal, truth.stations) + ",\n";
    const Sides apparent = AgainstZ(truth.long_time.own[p], levels.long_own, truth.stations.px_per_mm);
    out += "   \"apparent\":" + SidesText(apparent, s.spray.r0_mm, truth.stations) + ",\n";
    out += "   \"apparent_u\":" + ErrorText(truth.long_time.own[p], levels.long_own, truth.stations) + ",\n";
  } else {
    out += "   \"boundary\":null,\n   \"apparent\":null,\n";
  }
  const Sides frames_apparent = AgainstZ(truth.own[p], levels.own, truth.stations.px_per_mm);
  out += "   \"frames_apparent\":" + SidesText(frames_apparent, s.spray.r0_mm, truth.stations) + ",\n";
  return out + "   \"frames_boundary\":" +
         SidesText(OracleInSpace(truth, p, levels.own), s.spray.r0_mm, truth.stations) + "}";
}

}  // namespace

std::string TruthText(const ClipTruth& truth) {
  const Scene& s = truth.scene;
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
  out += GroupText(truth);
  out += fmt::format(" \"clip\":\"{}\",\n", truth.clip_name);
  out += TrueText(truth) + StatedText(truth);
  out += " \"boundary_sides\":\"outwards positive on either side\",\n \"points\":[\n";
  const ClipLevels levels = LevelsOfClip(truth);
  const std::vector<Stand::Steady> steady = Stand(s.stand).Points();
  for (std::size_t p = 0; has_truth && p < truth.points.size(); ++p)
    out += (p == 0 ? "" : ",\n") + PointText(truth, p, steady[p], levels);
  return out + "\n ]\n}\n";
}

}  // namespace conebook::render
