#include <algorithm>
#include <cmath>
#include <numbers>

#include <fmt/format.h>

#include <calib/error.h>

#include "vision/scale_common.h"

namespace conebook::vision {
namespace {

constexpr double kLengthShare = 0.003;  // a steel rule's marks, read in a picture
constexpr double kOffsetMm = 1.0;       // stood up by hand
constexpr double kLineTiltDeg = 2.0;    // of the length out of the image plane, stood up by hand

}  // namespace

ScaleReading ScaleFromPoints(cv::Size picture, const cv::Point2d& from_px, const cv::Point2d& to_px,
                             double length_mm, const ScaleCamera& camera, const ScaleOptions& options) {
  for (const cv::Point2d& p : {from_px, to_px}) {
    if (!(p.x >= -0.5 && p.y >= -0.5 && p.x <= picture.width - 0.5 && p.y <= picture.height - 0.5)) {
      throw calib::InputError(fmt::format("[{:g}, {:g}] px lies outside the picture of {} x {} px", p.x, p.y,
                                          picture.width, picture.height));
    }
  }
  const double apart_px = cv::norm(to_px - from_px);
  if (!(apart_px >= 10.0 * options.u_point_px) || !(apart_px > 0.0)) {
    throw calib::InputError(fmt::format(
        "the two points are {:.1f} px apart; a length of some hundred pixels is needed", apart_px));
  }
  const WorkingCamera work = CameraToWorkWith(picture, camera);
  const calib::Lens& lens = work.lens;
  const auto scale_with = [&](const calib::Lens& l) {
    const Eigen::Vector2d apart =
        calib::RayFromPx(l, {to_px.x, to_px.y}) - calib::RayFromPx(l, {from_px.x, from_px.y});
    return l.fx_px * apart.norm() / length_mm;
  };
  const double here = scale_with(lens);
  const double depth_mm =
      !work.focal_known && camera.distance_mm ? camera.distance_mm->value : lens.fx_px / here;

  ScaleReading reading;
  std::vector<calib::Contribution> budget;
  const double value = AtTheExit(here, depth_mm, kLengthShare, kOffsetMm, options, budget);
  budget.push_back(
      {"points picked", std::numbers::sqrt2 * options.u_point_px / apart_px * value, calib::Shared::kRig});
  budget.push_back({fmt::format("length out of the image plane (assumed {:g} deg)", kLineTiltDeg),
                    (1.0 - std::cos(kLineTiltDeg * std::numbers::pi / 180.0)) * value, calib::Shared::kRig});
  if (!work.calibrated) {
    calib::Lens bent = lens;
    bent.k1 = calib::UsualDistortion(lens);
    budget.push_back({"lens not calibrated", std::abs(scale_with(bent) - here), calib::Shared::kRig});
  }
  reading.px_per_mm = calib::Combine(value, std::move(budget));
  reading.at_px = 0.5 * (from_px + to_px);
  reading.no_tilt = "two points tell no tilt";
  return reading;
}

}  // namespace conebook::vision
