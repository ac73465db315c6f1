#include "vision/cone_fit.h"

#include <algorithm>
#include <cmath>
#include <numbers>

#include <Eigen/Eigenvalues>
#include <fmt/format.h>

#include "vision/statistics.h"

namespace conebook::vision {
namespace {

using calib::Contribution;
using calib::Shared;

constexpr double kDegPerRad = 180.0 / std::numbers::pi;

struct SideLine {
  Line line;  // x_mm on z_mm
  int rows = 0;
  double spread_mm = 0.0;  // of all rows about the line, robust
};

struct Angles {
  double left = 0.0, right = 0.0;
  double Mean() const { return 0.5 * (left + right); }
  double Lean() const { return 0.5 * (right - left); }
};

std::optional<SideLine> LineOfSide(const ClipModel& model, std::span<const BoundaryRow> rows, int side,
                                   const calib::ConeProjection& projection, double near_mm, double far_mm,
                                   double floor_mm, int least_rows) {
  std::vector<double> z;
  std::vector<double> x;
  for (const BoundaryRow& row : rows) {
    const cv::Point2d px = UprightPx(model, row.row, side, row.out_px);
    const calib::AxisPlanePoint p = projection.MmFromPx({px.x, px.y});
    if (p.z_mm < near_mm || p.z_mm > far_mm) continue;
    z.push_back(p.z_mm);
    x.push_back(p.x_mm);
  }
  RobustLineOptions options;
  options.floor = floor_mm;
  options.min_points = least_rows;
  const std::optional<Line> line = FitRobustLine(z, x, options);
  if (!line) return std::nullopt;
  std::vector<double> residuals;
  for (std::size_t i = 0; i < z.size(); ++i) residuals.push_back(x[i] - line->Y(z[i]));
  return SideLine{*line, static_cast<int>(z.size()), RobustSpread(std::move(residuals))};
}

std::optional<Angles> AnglesFor(const ClipModel& model,
                                const std::array<std::vector<BoundaryRow>, 2>& boundary,
                                const calib::ConeCamera& camera, double near_mm, double far_mm,
                                const ConeFitOptions& options) {
  const calib::ConeProjection projection(camera);
  const double floor_mm = options.line_floor_px / camera.px_per_mm;
  const auto left =
      LineOfSide(model, boundary[0], kLeftSide, projection, near_mm, far_mm, floor_mm, options.least_rows);
  const auto right =
      LineOfSide(model, boundary[1], kRightSide, projection, near_mm, far_mm, floor_mm, options.least_rows);
  if (!left || !right) return std::nullopt;
  return Angles{projection.HalfAngleDeg(calib::Side::kLeft, left->line.intercept, left->line.slope),
                projection.HalfAngleDeg(calib::Side::kRight, right->line.intercept, right->line.slope)};
}

// Lines per frame, as the image shows them, against the nozzle axis: for scatter, never for the value.
void FrameSeries(const ClipModel& model, const RecordSpool& spool, std::span<const std::size_t> frames,
                 const std::array<double, 2>& part, const std::array<std::pair<int, int>, 2>& rows,
                 ConeAngles& out) {
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

struct Scatter {
  double u = 0.0;
  double dof = 1.0;
};

Scatter ScatterOf(const std::vector<double>& series) {
  if (series.size() < 3) return {0.5, 1.0};  // nothing to judge by: a single frame scatters by half a degree
  const double n_effective = EffectiveSampleSize(series);
  const double by_frames = 1.25 * RobustSpread(series) / std::sqrt(n_effective);
  // Slow drifts hardly show in the correlation of a short series, but in the means of its blocks.
  constexpr int kBlocks = 6;
  constexpr int kLeastBlock = 5;
  std::vector<double> means;
  for (const Block& block : ContiguousBlocks(series.size(), kBlocks, kLeastBlock)) {
    double sum = 0.0;
    for (std::size_t k = block.first; k < block.last; ++k) sum += series[k];
    means.push_back(sum / static_cast<double>(block.last - block.first));
  }
  const double by_blocks = UncertaintyOfMean(means).value_or(0.0);
  // The spread itself is known only so well; few values can look alike by chance.
  if (by_blocks > by_frames) return {by_blocks, static_cast<double>(means.size()) - 1.0};
  return {by_frames, std::max(1.0, n_effective - 1.0)};
}

// Mean effect and linear effect of an error of +-u in one parameter.
struct Effect {
  Angles linear, mean;
};

template <typename Change>
std::optional<Effect> EffectOf(const ClipModel& model,
                               const std::array<std::vector<BoundaryRow>, 2>& boundary,
                               const calib::ConeCamera& camera, double near_mm, double far_mm,
                               const ConeFitOptions& options, const Angles& base, Change change) {
  calib::ConeCamera plus = camera;
  calib::ConeCamera minus = camera;
  change(plus, 1.0);
  change(minus, -1.0);
  const auto a = AnglesFor(model, boundary, plus, near_mm, far_mm, options);
  const auto b = AnglesFor(model, boundary, minus, near_mm, far_mm, options);
  if (!a || !b) return std::nullopt;
  Effect effect;
  effect.linear = {0.5 * (a->left - b->left), 0.5 * (a->right - b->right)};
  effect.mean = {0.5 * (a->left + b->left) - base.left, 0.5 * (a->right + b->right) - base.right};
  return effect;
}

// What the lens's covariance makes of left, right, mean and lean: JCGM 100:2008, eq. 13, along the
// covariance's own axes, so that every lens tried is one that the calibration allows.
std::optional<std::array<double, 4>> LensEffect(const ClipModel& model,
                                                const std::array<std::vector<BoundaryRow>, 2>& boundary,
                                                const calib::ConeCamera& camera, double near_mm,
                                                double far_mm, const ConeFitOptions& options,
                                                const Angles& base) {
  const Eigen::SelfAdjointEigenSolver<Eigen::Matrix<double, 9, 9>> axes(*camera.lens->covariance);
  const calib::LensVector best = calib::ParametersOf(*camera.lens);
  std::array<double, 4> square{};
  for (int i = 0; i < 9; ++i) {
    if (!(axes.eigenvalues()[i] > 0.0)) continue;
    const calib::LensVector step = std::sqrt(axes.eigenvalues()[i]) * axes.eigenvectors().col(i);
    const auto effect = EffectOf(model, boundary, camera, near_mm, far_mm, options, base,
                                 [&](calib::ConeCamera& c, double sign) {
                                   calib::SetParameters(*c.lens, best + sign * step);
                                   c.distance_mm = *c.distance_mm * c.lens->fx_px / camera.lens->fx_px;
                                 });
    if (!effect) return std::nullopt;
    const Angles& e = effect->linear;
    const std::array<double, 4> parts{e.left, e.right, e.Mean(), e.Lean()};
    for (std::size_t k = 0; k < 4; ++k) square[k] += parts[k] * parts[k];
  }
  for (double& one : square) one = std::sqrt(one);
  return square;
}

}  // namespace

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
                      double far_mm, const ConeFitOptions& options) {
  const calib::ConeCamera& camera = setup.camera;
  const View& view = *setup.view;
  const auto boundary_at = [&](double scale) {
    std::array<std::vector<BoundaryRow>, 2> boundary;
    for (int side = 0; side < 2; ++side) {
      boundary[static_cast<std::size_t>(side)] = MedianBoundary(
          spool, frames, side, scale * part[static_cast<std::size_t>(side)], BoundaryOptions{});
    }
    return boundary;
  };
  const auto boundary = boundary_at(1.0);
  const std::optional<Angles> base = AnglesFor(model, boundary, camera, near_mm, far_mm, options);
  if (!base) return NoAngle::kTooFewRows;

  ConeAngles result;
  std::array<std::pair<int, int>, 2> station_rows{std::pair{model.rows, 0}, std::pair{model.rows, 0}};
  const calib::ConeProjection projection(camera);
  for (int side = 0; side < 2; ++side) {
    for (const BoundaryRow& row : boundary[static_cast<std::size_t>(side)]) {
      const cv::Point2d px = UprightPx(model, row.row, side, row.out_px);
      result.boundary_px[static_cast<std::size_t>(side)].emplace_back(static_cast<float>(px.x),
                                                                      static_cast<float>(px.y));
      const double z = projection.MmFromPx({px.x, px.y}).z_mm;
      if (z < near_mm || z > far_mm) continue;
      auto& rows = station_rows[static_cast<std::size_t>(side)];
      rows.first = std::min(rows.first, row.row);
      rows.second = std::max(rows.second, row.row + 1);
    }
    const auto line = LineOfSide(model, boundary[static_cast<std::size_t>(side)], side, projection, near_mm,
                                 far_mm, options.line_floor_px / camera.px_per_mm, options.least_rows);
    const double half_width_mm = std::abs(line->line.Y(far_mm));
    if (line->spread_mm >
        options.most_spread_px / camera.px_per_mm + options.most_spread_part * half_width_mm) {
      return NoAngle::kNotStraight;
    }
    result.slope[side] = line->line.slope;
    result.at_exit_mm[side] = line->line.intercept;
    int end = 0;
    for (const double z : {near_mm, far_mm}) {
      const Eigen::Vector2d px = projection.PxFromMm({line->line.Y(z), z});
      result.line_px[side][end++] = cv::Point2f(static_cast<float>(px.x()), static_cast<float>(px.y()));
    }
  }
  FrameSeries(model, spool, frames, part, station_rows, result);

  // Budget.
  std::vector<double> left;
  std::vector<double> right;
  std::vector<double> mean;
  std::vector<double> lean;
  for (std::size_t k = 0; k < frames.size(); ++k) {
    if (!result.frame_found[k]) continue;
    left.push_back(result.frame_left_deg[k]);
    right.push_back(result.frame_right_deg[k]);
    mean.push_back(0.5 * (left.back() + right.back()));
    lean.push_back(0.5 * (right.back() - left.back()));
  }
  std::vector<Contribution> b_left;
  std::vector<Contribution> b_right;
  std::vector<Contribution> b_mean;
  std::vector<Contribution> b_lean;
  const auto add = [&](const std::string& source, Shared shared, double u_left, double u_right, double u_mean,
                       double u_lean) {
    b_left.push_back({source, std::abs(u_left), shared});
    b_right.push_back({source, std::abs(u_right), shared});
    b_mean.push_back({source, std::abs(u_mean), shared});
    b_lean.push_back({source, std::abs(u_lean), shared});
  };
  const auto add_linear = [&](const std::string& source, Shared shared, const Angles& e) {
    add(source, shared, e.left, e.right, e.Mean(), e.Lean());
  };
  {
    const Scatter l = ScatterOf(left);
    const Scatter r = ScatterOf(right);
    const Scatter m = ScatterOf(mean);
    const Scatter n = ScatterOf(lean);
    add("scatter from frame to frame", Shared::kFrames, l.u, r.u, m.u, n.u);
    b_left.back().dof = l.dof;
    b_right.back().dof = r.dof;
    b_mean.back().dof = m.dof;
    b_lean.back().dof = n.dof;
  }
  {
    const auto low = AnglesFor(model, boundary_at(0.2 / kBoundaryPart), camera, near_mm, far_mm, options);
    const auto high = AnglesFor(model, boundary_at(0.4 / kBoundaryPart), camera, near_mm, far_mm, options);
    if (low && high) {
      const double scale = 0.5 / std::sqrt(3.0);
      add_linear("threshold (0.20 against 0.40 of the reference level)", Shared::kClip,
                 {scale * (high->left - low->left), scale * (high->right - low->right)});
    }
  }
  const double floor = model.format.compressed ? options.floor_compressed_deg : options.floor_deg;
  add(model.format.compressed ? "definition and compression" : "definition", Shared::kModel, floor * 1.2,
      floor * 1.2, floor, floor);
  Angles corrected = *base;
  const auto assumed = [](const calib::Stated& s, const char* unit) {
    if (s.calibrated) return std::string(" (as calibrated)");
    return s.u_assumed ? fmt::format(" (assumed {:.3g} {})", s.u, unit) : std::string();
  };
  if (view.tilt_deg.u > 0.0) {
    const auto effect =
        EffectOf(model, boundary, camera, near_mm, far_mm, options, *base,
                 [&](calib::ConeCamera& c, double sign) { c.tilt_deg += sign * view.tilt_deg.u; });
    if (effect) {
      // The effect of tilt is one-sided: its mean is taken out, its own spread stays (chi-square, one
      // degree).
      corrected.left += effect->mean.left;
      corrected.right += effect->mean.right;
      const double root2 = std::numbers::sqrt2;
      add("tilt" + assumed(view.tilt_deg, "deg"), Shared::kRig,
          std::hypot(effect->linear.left, root2 * effect->mean.left),
          std::hypot(effect->linear.right, root2 * effect->mean.right),
          std::hypot(effect->linear.Mean(), root2 * effect->mean.Mean()),
          std::hypot(effect->linear.Lean(), root2 * effect->mean.Lean()));
    }
  }
  add_linear("axis" + assumed(view.axis_deg, "deg"), Shared::kRig, {view.axis_deg.u, -view.axis_deg.u});
  {
    // Stations go with the exit, and the sides are not straight.
    const double u_exit = view.exit_y_px ? view.exit_y_px->u : model.u_exit_px;
    const cv::Point2d along =
        Apply(model.reading.upright_from_reading, model.exit_px + cv::Point2d(0.0, u_exit)) -
        Apply(model.reading.upright_from_reading, model.exit_px);
    const auto effect = EffectOf(model, boundary, camera, near_mm, far_mm, options, *base,
                                 [&](calib::ConeCamera& c, double sign) {
                                   c.exit_px[0] += sign * along.x;
                                   c.exit_px[1] += sign * along.y;
                                 });
    if (effect) {
      add_linear(view.exit_y_px ? "exit position" : "exit position (found)",
                 view.exit_y_px ? Shared::kRig : Shared::kClip, effect->linear);
    }
  }
  if (camera.distance_mm) {
    const calib::Stated* stated = view.distance_mm ? &*view.distance_mm : nullptr;
    double relative = stated ? stated->u / stated->value : 0.03;
    const bool by_lens = camera.lens && camera.lens->covariance && view.px_per_mm;
    // Focal length over scale: the lens's share comes with the lens.
    if (by_lens) relative = view.px_per_mm->u / view.px_per_mm->value;
    const auto effect = EffectOf(
        model, boundary, camera, near_mm, far_mm, options, *base,
        [&](calib::ConeCamera& c, double sign) { c.distance_mm = *c.distance_mm * (1.0 + sign * relative); });
    if (effect) {
      add_linear("camera distance" + (by_lens  ? std::string(" (by lens and scale)")
                                      : stated ? assumed(*stated, "mm")
                                               : std::string(" (assumed 3 %)")),
                 Shared::kRig, effect->linear);
    }
  } else {
    calib::ConeCamera near = camera;
    near.distance_mm = UnstatedDistanceMm(setup, options);
    if (const auto a = AnglesFor(model, boundary, near, near_mm, far_mm, options)) {
      add_linear("camera distance not stated", Shared::kRig, {a->left - base->left, a->right - base->right});
    }
  }
  if (camera.lens && camera.lens->covariance) {
    const auto u = LensEffect(model, boundary, camera, near_mm, far_mm, options, *base);
    if (u) add("lens (as calibrated)", Shared::kRig, (*u)[0], (*u)[1], (*u)[2], (*u)[3]);
  }
  if (!camera.lens) {
    calib::ConeCamera bent = camera;
    calib::Lens lens;
    lens.fx_px = lens.fy_px =
        camera.distance_mm ? *camera.distance_mm * camera.px_per_mm : 1.4 * setup.image_width_px;
    lens.cx_px = camera.centre_x_px;
    lens.cy_px = camera.centre_y_px;
    // 0.5 % at the corner of the picture: what video cameras leave after their own correction (common
    // practice, no source).
    const double corner = 0.6 * setup.image_width_px / lens.fx_px;
    lens.k1 = 0.005 / (corner * corner);
    bent.lens = lens;
    bent.distance_mm = lens.fx_px / camera.px_per_mm;
    calib::ConeCamera straight = bent;
    straight.lens->k1 = 0.0;
    const auto a = AnglesFor(model, boundary, bent, near_mm, far_mm, options);
    const auto s = AnglesFor(model, boundary, straight, near_mm, far_mm, options);
    if (a && s) add_linear("lens not calibrated", Shared::kRig, {a->left - s->left, a->right - s->right});
  }
  if (view.known_cones) {
    // Not corrected for, so all of it counts (JCGM 100:2008, F.2.4.5).
    const KnownCones& known = *view.known_cones;
    const double u = known.difference_deg;
    add(fmt::format("known cone{} of {} read {:.3f} deg off (u {:.3f} deg)", known.checks == 1 ? "" : "s",
                    known.date, known.difference_deg, known.u_deg),
        Shared::kRig, u, u, u, 0.0);
  }
  result.left_deg = calib::Combine(corrected.left, b_left);
  result.right_deg = calib::Combine(corrected.right, b_right);
  result.mean_deg = calib::Combine(corrected.Mean(), b_mean);
  result.lean_deg = calib::Combine(corrected.Lean(), b_lean);

  // As the image shows it: no lens, no perspective, no tilt.
  calib::ConeCamera flat = camera;
  flat.distance_mm.reset();
  flat.lens.reset();
  flat.tilt_deg = 0.0;
  const auto shown = AnglesFor(model, boundary, flat, near_mm, far_mm, options);
  if (shown) {
    std::vector<Contribution> b_shown;
    for (const Contribution& c : b_mean) {
      if (c.shared != Shared::kRig) b_shown.push_back(c);
    }
    result.apparent_deg = calib::Combine(shown->Mean(), b_shown);
  } else {
    result.apparent_deg = result.mean_deg;
  }
  return result;
}

}  // namespace conebook::vision
