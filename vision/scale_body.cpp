#include <algorithm>
#include <cmath>
#include <numbers>

#include <fmt/format.h>

#include <calib/error.h>

#include "vision/body_edges.h"
#include "vision/scale_common.h"
#include "vision/statistics.h"

namespace conebook::vision {
namespace {

using calib::Shared;

constexpr double kDegPerRad = 180.0 / std::numbers::pi;
constexpr double kLengthShare = 0.002;  // a caliper's 0.02 mm on 10 mm
constexpr double kOffsetMm = 0.1;       // the body's own axis is the nozzle's
constexpr double kAlignDeg = 0.5;
constexpr double kPart = 0.5, kLowPart = 0.3, kHighPart = 0.7;
constexpr double kEdgeFloorPx = 0.05;  // glare, grease, what linear light leaves
constexpr double kMostTaperDeg = 0.5;

struct Width {
  double px = 0.0, u_px = 0.0;
  double axis_deg = 0.0, u_axis_deg = 0.0, taper_deg = 0.0;
  int rows = 0;
  cv::Point2d middle;
};

// As a lens without distortion would show it.
Width WidthOf(const cv::Mat1f& light, const cv::Point2d& on_px, double part, const calib::Lens& lens) {
  const BodyEdges edges = FindBodyEdges(light, on_px, part);
  const auto straight = [&](double x, double y) {
    const Eigen::Vector2d ray = calib::RayFromPx(lens, {x, y});
    return cv::Point2d(lens.fx_px * ray.x() + lens.cx_px, lens.fx_px * ray.y() + lens.cy_px);
  };
  std::vector<double> y[2], x[2];
  for (std::size_t i = 0; i < edges.y.size(); ++i) {
    for (const int side : {0, 1}) {
      const cv::Point2d p = straight(side == 0 ? edges.left[i] : edges.right[i], edges.y[i]);
      x[side].push_back(p.x);
      y[side].push_back(p.y);
    }
  }
  RobustLineOptions options;
  options.floor = 0.3;
  const auto left = FitRobustLine(y[0], x[0], options), right = FitRobustLine(y[1], x[1], options);
  if (!left || !right)
    throw calib::InputError("the body's edges are not straight; give a point where it is cylindrical");
  double middle = 0.0;
  for (const double one : y[0]) middle += one / static_cast<double>(y[0].size());
  Width width;
  const double slope = 0.5 * (left->slope + right->slope);
  width.axis_deg = std::atan(slope) * kDegPerRad;
  width.px = (right->Y(middle) - left->Y(middle)) * std::cos(std::atan(slope));
  width.taper_deg = (std::atan(right->slope) - std::atan(left->slope)) * kDegPerRad;
  width.rows = static_cast<int>(edges.y.size());
  width.middle = {0.5 * (edges.left[edges.y.size() / 2] + edges.right[edges.y.size() / 2]),
                  edges.y[edges.y.size() / 2]};
  const double sd = std::hypot(left->residual_sd, right->residual_sd), n = width.rows;
  width.u_px = sd / std::sqrt(n);
  // Slope of a line through n even points: sd sqrt(12) / n^1.5.
  width.u_axis_deg = 0.5 * sd * std::sqrt(12.0) / std::pow(n, 1.5) * kDegPerRad;
  return width;
}

}  // namespace

ScaleReading ScaleFromBody(const cv::Mat& grey, const cv::Point2d& on_px, double width_mm,
                           const ScaleCamera& camera, const ScaleOptions& options) {
  const cv::Mat1f light = LightOfPicture(grey);
  const WorkingCamera work = CameraToWorkWith(grey.size(), camera);
  const Width width = WidthOf(light, on_px, kPart, work.lens);
  const Width low = WidthOf(light, on_px, kLowPart, work.lens);
  const Width high = WidthOf(light, on_px, kHighPart, work.lens);

  // A round body's outline lies a little nearer than its axis: the tangents' angle has the sine, not the
  // tangent, of half the width over the distance.
  const double flat = width.px / width_mm;
  const double depth_mm =
      !work.focal_known && camera.distance_mm ? camera.distance_mm->value : work.lens.fx_px / flat;
  const double half = 0.5 * width_mm / depth_mm;
  const double here = flat * std::sqrt(std::max(0.0, 1.0 - half * half));

  ScaleReading reading;
  std::vector<calib::Contribution> budget;
  const double value = AtTheExit(here, depth_mm, kLengthShare, kOffsetMm, options, budget);
  const double per_px = value / width.px;
  budget.push_back(
      {"edges, scatter of rows", width.u_px * per_px, Shared::kRig, std::max(1.0, 2.0 * width.rows - 4.0)});
  budget.push_back({"edges, threshold (0.3 against 0.7 of the step)",
                    0.5 * std::abs(high.px - low.px) / std::numbers::sqrt3 * per_px, Shared::kRig});
  budget.push_back({"edges, floor", std::numbers::sqrt2 * kEdgeFloorPx * per_px, Shared::kRig});
  if (!work.calibrated) {
    calib::Lens bent = work.lens;
    bent.k1 = calib::UsualDistortion(work.lens);
    budget.push_back({"lens not calibrated",
                      std::abs(WidthOf(light, on_px, kPart, bent).px - width.px) * per_px, Shared::kRig});
  }
  if (!work.focal_known && !camera.distance_mm)
    budget.push_back({"outline of a round body, distance not stated", std::abs(flat - here), Shared::kRig});
  reading.px_per_mm = calib::Combine(value, std::move(budget));
  const double u_align = options.u_align_deg.value_or(kAlignDeg);
  reading.axis_deg = calib::Combine(
      width.axis_deg,
      {{"edges", width.u_axis_deg, Shared::kRig},
       {options.u_align_deg ? std::string("body against the nozzle's axis")
                            : fmt::format("body against the nozzle's axis (assumed {:g} deg)", u_align),
        u_align, Shared::kRig}});
  reading.at_px = width.middle;
  reading.no_tilt = "a round body tells no tilt";
  if (std::abs(width.taper_deg) > kMostTaperDeg) {
    reading.warnings.push_back(
        fmt::format("the body's edges close by {:.2f} deg: tapered, or close to the camera; its width was "
                    "taken at row {:.0f}",
                    width.taper_deg, width.middle.y));
  }
  return reading;
}

}  // namespace conebook::vision
