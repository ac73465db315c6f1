#include "vision/sheet_end.h"

#include <algorithm>
#include <cmath>
#include <functional>
#include <numbers>
#include <optional>
#include <string>

#include <fmt/format.h>

#include <calib/cone_projection.h>

#include "vision/two_walls.h"

namespace conebook::vision {
namespace {

using calib::Contribution;
using calib::Shared;

// Nearer the exit than this the two rims fill the width, and nothing can be seen between them.
double WideEnoughMm(const ClipModel& model, const CameraSetup& setup) {
  constexpr double kLeastHalfWidthPx = 24.0;
  const GuessLine* guess = model.guess.data();
  const double opening = guess[1].slope - guess[0].slope;
  const double at_exit = guess[1].at_exit_px - guess[0].at_exit_px;
  const double dy = (2.0 * kLeastHalfWidthPx - at_exit) / std::max(0.02, opening);
  return std::max(0.0, dy) / setup.camera.px_per_mm;
}

// Rows down to where a side of the spray is still seen now and then, or would be outside the picture: far
// below that there is no spray, and whatever flickers there, light on the window or a lamp's noise, is no end
// of a sheet.
int RowsWithSpray(const ClipModel& model, const RecordSpool& spool, std::span<const std::size_t> frames) {
  constexpr std::size_t kFramesEnough = 40;
  constexpr double kLeastShare = 0.1;
  constexpr double kBeyond = 1.5;  // drops too faint for an edge follow
  const std::size_t step = std::max<std::size_t>(1, frames.size() / kFramesEnough);
  std::vector<int> seen(static_cast<std::size_t>(spool.Rows()), 0);
  std::vector<std::int16_t> edges;
  int used = 0;
  for (std::size_t k = 0; k < frames.size(); k += step) {
    spool.ReadEdges(frames[k], 0, spool.Rows(), edges);
    ++used;
    for (std::size_t row = 0; row < seen.size(); ++row) {
      for (const std::size_t side : {0U, 1U}) {
        if (edges[(row * 2 + side) * kLadder + kLadderFirst] == kNoEdge) continue;
        ++seen[row];
        break;
      }
    }
  }
  int last = 0;
  for (int row = 0; row < spool.Rows(); ++row) {
    const double dy = model.Row(row) - model.exit_px.y;
    const bool outside = model.guess[0].X(dy) < 0.0 || model.guess[1].X(dy) > model.reading.width_px - 1.0;
    if (outside || seen[static_cast<std::size_t>(row)] >= kLeastShare * used) last = row;
  }
  return std::min(spool.Rows(), static_cast<int>(kBeyond * (last + 1)));
}

std::function<WallsSeen(double)> WallsAt(const ClipModel& model, const calib::ConeCamera& camera) {
  const calib::ConeProjection projection(camera);
  // The sides as guessed, from the picture to the cone in space.
  const auto slope = [&](calib::Side side) {
    const GuessLine& guess = model.guess[side == calib::Side::kLeft ? 0 : 1];
    const double dy = 0.5 * model.rows * model.row_step;
    const auto at = [&](double down) {
      const double y = model.exit_px.y + down;
      const cv::Point2d px = Apply(model.reading.upright_from_reading, {guess.X(down), y});
      return projection.MmFromPx({px.x, px.y});
    };
    const calib::AxisPlanePoint a = at(0.0);
    const calib::AxisPlanePoint b = at(dy);
    const double in_plane = (b.x_mm - a.x_mm) / std::max(1e-9, b.z_mm - a.z_mm);
    const double half_angle = projection.HalfAngleDeg(side, a.x_mm - in_plane * a.z_mm, in_plane);
    return std::tan(std::clamp(half_angle, 1.0, 80.0) * std::numbers::pi / 180.0);
  };
  const double left = slope(calib::Side::kLeft);
  const double right = slope(calib::Side::kRight);
  return [projection, left, right](double z_mm) { return SeeWalls(projection, z_mm, left, right); };
}

}  // namespace

double RowDistanceMm(const ClipModel& model, const CameraSetup& setup, int row) {
  const calib::ConeProjection projection(setup.camera);
  const double y = model.Row(row);
  const cv::Point2d px = Apply(model.reading.upright_from_reading, {model.AxisX(y), y});
  return projection.MmFromPx({px.x, px.y}).z_mm;
}

BreakupResult EndOfSheet(const ClipModel& model, const RecordSpool& spool,
                         std::span<const std::size_t> frames, const CameraSetup& setup,
                         BreakupOptions options) {
  std::vector<double> distance;
  const int rows = RowsWithSpray(model, spool, frames);
  for (int row = 0; row < rows; row += kRayRowStep) distance.push_back(RowDistanceMm(model, setup, row));
  const double exit_mm = setup.view->exit_diameter_mm.value;
  options.rim_level = static_cast<double>(std::min(model.level[kLeftSide], model.level[kRightSide]));
  const double u_tilt = setup.view->tilt_deg.u;
  for (const double tilt_deg : {0.0, u_tilt, -u_tilt}) {
    calib::ConeCamera camera = setup.camera;
    camera.tilt_deg += tilt_deg;
    options.walls.push_back(WallsAt(model, camera));
  }
  if (!setup.camera.distance_mm) {
    calib::ConeCamera camera = setup.camera;
    camera.distance_mm = UnstatedDistanceMm(setup, ConeFitOptions{});
    options.walls.push_back(WallsAt(model, camera));
  }
  return ReadBreakup(spool, frames, distance, std::max({exit_mm, 0.5, WideEnoughMm(model, setup)}), options);
}

calib::Quantity BreakupLength(const BreakupReading& reading, const ClipModel& model, const CameraSetup& setup,
                              const calib::Quantity& px_per_mm, std::optional<Contribution> motion) {
  const View& view = *setup.view;
  std::vector<Contribution> budget;
  budget.push_back({"scatter from frame to frame", reading.u_statistics, Shared::kFrames,
                    std::max(1.0, reading.effective_frames - 1.0)});
  budget.push_back({"disagreement of the readings", reading.u_family, Shared::kModel});
  constexpr double kDefinitionPart = 0.025;  // 2154 points of rendered sprays: 95 % in their intervals
  budget.push_back(
      {fmt::format("definition ({:.1f} %: rendered sprays, not yet held against hand-marked footage)",
                   100.0 * kDefinitionPart),
       kDefinitionPart * reading.length, Shared::kModel});
  const std::string scale = px_per_mm.budget.empty() ? "scale" : px_per_mm.budget.front().source;
  budget.push_back({scale, px_per_mm.u / px_per_mm.value * reading.length, Shared::kRig});
  const double u_exit = view.exit_y_px ? view.exit_y_px->u : model.u_exit_px;
  const bool stated = view.exit_y_px.has_value();
  budget.push_back({stated ? "exit position" : "exit position (found)", u_exit / setup.camera.px_per_mm,
                    stated ? Shared::kRig : Shared::kClip});
  if (motion) budget.push_back(std::move(*motion));
  // The effect of tilt is one-sided in part: its mean is taken out (chi-square of one degree: sd sqrt(2)
  // means).
  const std::vector<double>& tilted = reading.otherwise;
  const double bent = 0.5 * (tilted[0] + tilted[1]) - reading.length;
  const double turned = 0.5 * (tilted[0] - tilted[1]);
  budget.push_back({view.tilt_deg.u_assumed ? fmt::format("tilt (assumed {:.3g} deg)", view.tilt_deg.u)
                                            : std::string("tilt"),
                    std::hypot(turned, std::numbers::sqrt2 * bent), Shared::kRig});
  // Close up, the far wall's end is seen nearer the exit than the near wall's.
  if (reading.otherwise.size() > 2)
    budget.push_back(
        {"camera distance not stated", std::abs(reading.otherwise[2] - reading.length), Shared::kRig});
  return calib::Combine(reading.length + bent, std::move(budget));
}

}  // namespace conebook::vision
