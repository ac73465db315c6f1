#include "vision/cone_fit.h"

#include <algorithm>
#include <cmath>
#include <numbers>

#include "vision/cone_budget.h"
#include "vision/cone_lines.h"
#include "vision/inner_rim.h"
#include "vision/statistics.h"

namespace conebook::vision {
namespace {

constexpr double kDegPerRad = 180.0 / std::numbers::pi;

// Lines per frame, as the image shows them, against the nozzle axis: for scatter, never for the value.
void FrameSeries(const ClipModel& model, const RecordSpool& spool, std::span<const std::size_t> frames,
                 const std::array<double, 2>& part, const RowRanges& rows, ConeAngles& out) {
  out.frame_left_deg.assign(frames.size(), 0.0);
  out.frame_right_deg.assign(frames.size(), 0.0);
  out.frame_found.assign(frames.size(), 0);
  std::vector<std::int16_t> edges;
  const int row0 = std::min(rows[0].first, rows[1].first);
  const int row1 = std::max(rows[0].second, rows[1].second);
  if (row1 - row0 < 8) return;
  const double axis_rad = std::atan(model.axis_slope);
  for (std::size_t k = 0; k < frames.size(); ++k) {
    spool.ReadEdges(frames[k], row0, row1, edges);
    std::array<double, 2> angle{};
    bool both = true;
    for (int side = 0; side < 2 && both; ++side) {
      std::vector<double> y;
      std::vector<double> x;
      for (int row = rows[static_cast<std::size_t>(side)].first;
           row < rows[static_cast<std::size_t>(side)].second; ++row) {
        if (Inside(out.inside, static_cast<std::size_t>(side), row)) continue;
        const std::int16_t* rungs =
            edges.data() + static_cast<std::size_t>(((row - row0) * 2 + side) * kLadder);
        if (const auto edge = EdgeAtPart(rungs, part[static_cast<std::size_t>(side)])) {
          y.push_back(model.Row(row));
          x.push_back(*edge);
        }
      }
      RobustLineOptions options;
      options.floor = 1.0;
      options.min_points = 10;
      const std::optional<Line> line = FitRobustLine(y, x, options);
      if (!line) {
        both = false;
        break;
      }
      // Outward slope against the axis, rows being image rows.
      const double sign = side == kRightSide ? 1.0 : -1.0;
      const double against_down = std::atan(model.axis_slope + sign * line->slope);
      angle[static_cast<std::size_t>(side)] = sign * (against_down - axis_rad) * kDegPerRad;
    }
    if (!both) continue;
    out.frame_left_deg[k] = angle[0];
    out.frame_right_deg[k] = angle[1];
    out.frame_found[k] = 1;
  }
}

// The boundary in the picture, and its lines, into `result`; which rows lie between the stations. A reason
// where a side is no straight line.
std::variant<RowRanges, NoAngle> TakeLines(const LineSetting& setting, const BoundarySides& boundary,
                                           const calib::ConeCamera& camera, ConeAngles& result) {
  const ClipModel& model = setting.model;
  RowRanges ranges{std::pair{model.rows, 0}, std::pair{model.rows, 0}};
  const calib::ConeProjection projection(camera);
  for (int side = 0; side < 2; ++side) {
    const auto at = static_cast<std::size_t>(side);
    result.boundary_px[at].clear();
    for (const BoundaryRow& row : boundary[at]) {
      const cv::Point2d px = UprightPx(model, row.row, side, row.out_px);
      result.boundary_px[at].emplace_back(static_cast<float>(px.x), static_cast<float>(px.y));
      if (!PlaceBetweenStations(setting, projection, row, side)) continue;
      ranges[at].first = std::min(ranges[at].first, row.row);
      ranges[at].second = std::max(ranges[at].second, row.row + 1);
    }
    const auto line = LineOfSide(setting, boundary[at], side, projection, camera.px_per_mm);
    if (!line) return NoAngle::kTooFewRows;
    const double half_width_mm = std::abs(line->line.Y(setting.far_mm));
    if (line->spread_mm > setting.options.most_spread_px / camera.px_per_mm +
                              setting.options.most_spread_part * half_width_mm) {
      return NoAngle::kNotStraight;
    }
    result.slope[side] = line->line.slope;
    result.at_exit_mm[side] = line->line.intercept;
    int end = 0;
    for (const double z : {setting.near_mm, setting.far_mm}) {
      const Eigen::Vector2d px = projection.PxFromMm({line->line.Y(z), z});
      result.line_px[side][end++] = cv::Point2f(static_cast<float>(px.x()), static_cast<float>(px.y()));
    }
  }
  return ranges;
}

RowsInside FindInside(const ClipModel& model, const BoundarySides& boundary) {
  std::array<std::vector<RimPoint>, 2> sides;
  for (std::size_t side = 0; side < 2; ++side) {
    for (const BoundaryRow& row : boundary[side])
      sides[side].push_back({model.Row(row.row) - model.exit_px.y, row.out_px});
  }
  RowsInside inside;
  for (std::size_t side = 0; side < 2; ++side) {
    const std::vector<char> found =
        InsideOfRim(sides[side], sides[1 - side], 0.5 * model.exit_diameter_px, InnerRimOptions{});
    if (found.empty()) continue;
    inside[side].assign(static_cast<std::size_t>(model.rows), 0);
    for (std::size_t i = 0; i < found.size(); ++i)
      inside[side][static_cast<std::size_t>(boundary[side][i].row)] = found[i];
  }
  return inside;
}

// Of each side's rows between the stations.
std::array<double, 2> ShareInside(const LineSetting& setting, const BoundarySides& boundary,
                                  const calib::ConeCamera& camera, const RowsInside& inside) {
  const calib::ConeProjection projection(camera);
  std::array<double, 2> share{0.0, 0.0};
  for (int side = 0; side < 2; ++side) {
    const auto at = static_cast<std::size_t>(side);
    double rows = 0.0;
    double hidden = 0.0;
    for (const BoundaryRow& row : boundary[at]) {
      if (!PlaceBetweenStations(setting, projection, row, side)) continue;
      rows += 1.0;
      hidden += Inside(inside, at, row.row) ? 1.0 : 0.0;
    }
    if (rows > 0.0) share[at] = hidden / rows;
  }
  return share;
}

BoundarySides OnRim(BoundarySides boundary, const RowsInside& inside) {
  for (std::size_t side = 0; side < 2; ++side)
    std::erase_if(boundary[side], [&](const BoundaryRow& row) { return Inside(inside, side, row.row); });
  return boundary;
}

// Nothing where they do not rise.
std::vector<double> TimesOf(std::span<const std::size_t> frames, std::span<const double> time_s) {
  std::vector<double> times;
  for (const std::size_t frame : frames) {
    if (frame >= time_s.size() || (!times.empty() && !(time_s[frame] > times.back()))) return {};
    times.push_back(time_s[frame]);
  }
  return times;
}

std::array<FrameTurns, 2> TurnsOf(const ClipModel& model, const ConeAngles& angles) {
  std::array<FrameTurns, 2> turns;
  for (std::size_t side = 0; side < 2; ++side) {
    const std::vector<double>& of_frame = side == 0 ? angles.frame_left_deg : angles.frame_right_deg;
    for (std::size_t k = 0; k < of_frame.size(); ++k) {
      const double swing = angles.frame_found[k] != 0 ? angles.frame_swing.Sides(k)[side] : 0.0;
      turns[side].by_frame.push_back(std::tan(of_frame[k] / kDegPerRad) -
                                     std::tan((of_frame[k] - swing) / kDegPerRad));
    }
    for (int row = 0; row < model.rows; ++row)
      turns[side].down_px.push_back(model.Row(row) - model.exit_px.y);
  }
  return turns;
}

// As the image shows it: no lens, no perspective, no tilt, and none of what the rig leaves open.
std::optional<calib::Quantity> Apparent(const FittedCone& cone, const ConeBudget& budget,
                                        const TurnInSpace& in_space) {
  calib::ConeCamera flat = cone.setup.camera;
  flat.distance_mm.reset();
  flat.lens.reset();
  flat.tilt_deg = 0.0;
  const auto shown = AnglesUnder(flat, cone.boundary, cone.setting);
  if (!shown) return std::nullopt;
  std::vector<calib::Contribution> own;
  const double in_picture = 1.0 / std::max(0.1, in_space.Mean());
  for (calib::Contribution c : budget.mean) {
    if (c.shared == calib::Shared::kRig) continue;
    c.u *= in_picture;
    own.push_back(std::move(c));
  }
  return calib::Combine(shown->Mean(), std::move(own));
}

}  // namespace

double DefinitionDeg(const ConeFitOptions& options, bool compressed, double half_angle_deg) {
  return (compressed ? options.floor_compressed_deg : options.floor_deg) *
         std::cos(half_angle_deg / kDegPerRad) / std::cos(30.0 / kDegPerRad);
}

CameraSetup MakeCamera(const View& view, const ClipModel& model) {
  CameraSetup setup;
  setup.view = &view;
  setup.image_width_px = std::max(model.format.UprightWidth(), model.format.UprightHeight());
  calib::ConeCamera& camera = setup.camera;
  const cv::Point2d exit = Apply(model.reading.upright_from_reading, model.exit_px);
  camera.exit_px = {exit.x, exit.y};
  camera.axis_deg = view.axis_deg.value;
  camera.tilt_deg = view.tilt_deg.value;
  camera.centre_x_px = 0.5 * (model.format.UprightWidth() - 1);
  camera.centre_y_px = 0.5 * (model.format.UprightHeight() - 1);
  if (view.lens) {
    camera.lens = calib::LensForImage(*view.lens, model.format.UprightWidth(), model.format.UprightHeight());
  }
  if (view.px_per_mm) {
    camera.px_per_mm = view.px_per_mm->value;
  } else if (view.distance_mm && view.focal_px) {
    camera.px_per_mm = view.focal_px->value / view.distance_mm->value;
  } else {
    camera.px_per_mm = std::max(1e-3, model.exit_diameter_px / std::max(1e-6, view.exit_diameter_mm.value));
  }
  if (camera.lens) {
    camera.distance_mm = camera.lens->fx_px / camera.px_per_mm;
  } else if (view.focal_px) {
    camera.distance_mm = view.focal_px->value / camera.px_per_mm;
  } else if (view.distance_mm) {
    camera.distance_mm = view.distance_mm->value;
  }
  return setup;
}

double UnstatedDistanceMm(const CameraSetup& setup, const ConeFitOptions& options) {
  return std::numbers::sqrt3 *
         std::max(options.widest_focal_part * setup.image_width_px / setup.camera.px_per_mm,
                  options.nearest_camera_mm);
}

cv::Point2d UprightPx(const ClipModel& model, int row, int side, double out_px) {
  const double y = model.Row(row) + (model.pair_rows ? 0.5 : 0.0);
  const double axis = model.AxisX(model.Row(row));
  const double x = side == kRightSide ? axis + out_px : axis - out_px;
  return Apply(model.reading.upright_from_reading, {x, y});
}

ConeFitResult FitCone(const ClipModel& model, const RecordSpool& spool, std::span<const std::size_t> frames,
                      const std::array<double, 2>& part, const CameraSetup& setup, double near_mm,
                      double far_mm, const ConeFitOptions& options, std::span<const double> time_s) {
  const LineSetting setting{model, near_mm, far_mm, options};
  std::array<FrameTurns, 2> turns;  // empty: none
  const auto boundary_at = [&](double scale) {
    BoundarySides boundary;
    for (int side = 0; side < 2; ++side) {
      const auto at = static_cast<std::size_t>(side);
      boundary[at] = MedianBoundary(spool, frames, side, scale * part[at], BoundaryOptions{},
                                    turns[at].by_frame.empty() ? nullptr : &turns[at]);
    }
    return boundary;
  };
  const BoundarySides followed = boundary_at(1.0);
  const RowsInside inside = FindInside(model, followed);
  BoundarySides boundary = OnRim(followed, inside);
  ConeAngles result;
  result.inside = inside;
  result.inside_share = ShareInside(setting, followed, setup.camera, inside);
  auto ranges = TakeLines(setting, boundary, setup.camera, result);
  if (const auto* none = std::get_if<NoAngle>(&ranges)) return *none;
  FrameSeries(model, spool, frames, part, std::get<RowRanges>(ranges), result);
  result.frame_t_s = TimesOf(frames, time_s);
  result.frame_swing = SwingOfFrames(result);
  if (result.frame_swing.Any()) {
    turns = TurnsOf(model, result);
    boundary = OnRim(boundary_at(1.0), inside);
    ranges = TakeLines(setting, boundary, setup.camera, result);
    if (const auto* none = std::get_if<NoAngle>(&ranges)) return *none;
  }
  const std::optional<HalfAngles> best = AnglesUnder(setup.camera, boundary, setting);
  if (!best) return NoAngle::kTooFewRows;

  const FittedCone cone{setting, setup, boundary, *best};
  ConeBudget budget;
  const TurnInSpace in_space = TurnInSpaceOf(cone);
  AddScatter(result, in_space, budget);
  const BoundarySides at_low = OnRim(boundary_at(kLowPart / kBoundaryPart), inside);
  const BoundarySides at_high = OnRim(boundary_at(kHighPart / kBoundaryPart), inside);
  AddThreshold(cone, at_low, at_high, budget);
  AddDefinition(cone, budget);
  AddBackground(cone, std::get<RowRanges>(ranges), at_low, at_high, part, budget);
  const HalfAngles by_tilt = AddRig(cone, budget);
  const HalfAngles angles{best->left + by_tilt.left, best->right + by_tilt.right};
  const std::optional<calib::Quantity> apparent = Apparent(cone, budget, in_space);
  result.left_deg = calib::Combine(angles.left, std::move(budget.left));
  result.right_deg = calib::Combine(angles.right, std::move(budget.right));
  result.mean_deg = calib::Combine(angles.Mean(), std::move(budget.mean));
  result.lean_deg = calib::Combine(angles.Lean(), std::move(budget.lean));
  result.apparent_deg = apparent.value_or(result.mean_deg);
  return result;
}

}  // namespace conebook::vision
