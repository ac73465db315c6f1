#include "vision/cone_lines.h"

#include <cmath>
#include <utility>

#include "vision/hyperboloid.h"

namespace conebook::vision {

std::optional<calib::AxisPlanePoint> PlaceBetweenStations(const LineSetting& setting,
                                                          const calib::ConeProjection& projection,
                                                          const BoundaryRow& row, int side) {
  const cv::Point2d px = UprightPx(setting.model, row.row, side, row.out_px);
  const calib::AxisPlanePoint place = projection.MmFromPx({px.x, px.y});
  if (place.z_mm < setting.near_mm || place.z_mm > setting.far_mm) return std::nullopt;
  return place;
}

std::optional<SideLine> LineOfSide(const LineSetting& setting, std::span<const BoundaryRow> rows, int side,
                                   const calib::ConeProjection& projection, double px_per_mm) {
  std::vector<double> z;
  std::vector<double> x;
  for (const BoundaryRow& row : rows) {
    const auto place = PlaceBetweenStations(setting, projection, row, side);
    if (!place) continue;
    z.push_back(place->z_mm);
    x.push_back(place->x_mm);
  }
  RobustLineOptions options;
  options.floor = setting.options.line_floor_px / px_per_mm;
  options.min_points = setting.options.least_rows;
  std::optional<Line> line = FitRobustLine(z, x, options);
  if (!line) return std::nullopt;
  // The hyperbola's own curve makes no row odd: near the exit rows count alike at any scale.
  const double r0_mm = kFilmOfExit * 0.5 * setting.model.exit_diameter_px / px_per_mm;
  const double sign = side == kRightSide ? 1.0 : -1.0;
  std::vector<double> bend;
  for (const double at : z) bend.push_back(sign * OverAsymptote(r0_mm, line->slope, at));
  line = FitRobustLineOfBent(z, x, bend, options);
  if (!line) return std::nullopt;
  std::vector<double> residuals;
  for (std::size_t i = 0; i < z.size(); ++i) residuals.push_back(x[i] - line->Y(z[i]));
  return SideLine{*line, RobustSpread(std::move(residuals))};
}

std::optional<HalfAngles> AnglesUnder(const calib::ConeCamera& camera, const BoundarySides& boundary,
                                      const LineSetting& setting) {
  const calib::ConeProjection projection(camera);
  const auto left = LineOfSide(setting, boundary[0], kLeftSide, projection, camera.px_per_mm);
  const auto right = LineOfSide(setting, boundary[1], kRightSide, projection, camera.px_per_mm);
  if (!left || !right) return std::nullopt;
  const calib::SideAngles sides = projection.HalfAnglesDeg({left->line.intercept, left->line.slope},
                                                           {right->line.intercept, right->line.slope});
  return HalfAngles{sides.left_deg, sides.right_deg};
}

}  // namespace conebook::vision
