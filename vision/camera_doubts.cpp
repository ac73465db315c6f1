#include "vision/camera_doubts.h"

#include <algorithm>
#include <cmath>
#include <string>

#include <fmt/format.h>

namespace conebook::vision {
namespace {

using calib::Flag;
using calib::Severity;
using calib::Shared;

std::optional<Flag> FocalDoubt(const View& view, const calib::ConeCamera& camera, const char* what,
                               double focal_px, double u_focal_px) {
  const double value = camera.px_per_mm;
  const double expected = focal_px / view.distance_mm->value;
  const double u =
      std::hypot(view.px_per_mm->u,
                 expected * std::hypot(view.distance_mm->u / view.distance_mm->value, u_focal_px / focal_px));
  const double apart_u = std::abs(expected - value) / std::max(u, 1e-6 * value);
  if (apart_u <= 2.0) return std::nullopt;
  // A stated u is a judgment, good to a quarter at best, as from 8 degrees of freedom (JCGM 100:2008, G.4.2):
  // one sound rig in 370 lies beyond 4.28 of it (Table G.2, 99.73 %), as beyond the action limits of a chart.
  constexpr double kSureInU = 4.28;
  const bool sure = apart_u > kSureInU;
  return Flag{
      "camera_inconsistent",
      sure ? Severity::kWarn : Severity::kInfo,
      std::nullopt,
      std::nullopt,
      fmt::format("{} / distance_mm gives {:.3f} px/mm, the rig states {:.3f} px/mm", what, expected, value),
      "look for a digital zoom or a crop between calibration and clip, or a wrong distance"};
}

}  // namespace

calib::Quantity ScaleOf(const View& view, const calib::ConeCamera& camera) {
  const double value = camera.px_per_mm;
  if (!view.px_per_mm && view.distance_mm && view.focal_px) {
    const double relative =
        std::hypot(view.distance_mm->u / view.distance_mm->value, view.focal_px->u / view.focal_px->value);
    return calib::Combine(value, {{"scale (by focal length and distance)", relative * value, Shared::kRig}});
  }
  const double u = view.px_per_mm ? view.px_per_mm->u : 0.03 * value;
  const bool assumed = !view.px_per_mm || view.px_per_mm->u_assumed;
  std::string source = assumed ? "scale (assumed)" : "scale";
  if (view.px_per_mm && view.px_per_mm->calibrated) source += " (as calibrated)";
  return calib::Combine(value, {{source, u, Shared::kRig}});
}

std::vector<Flag> ScaleDoubts(const View& view, const calib::ConeCamera& camera) {
  std::vector<Flag> flags;
  const auto add = [&](std::optional<Flag> flag) {
    if (flag) flags.push_back(std::move(*flag));
  };
  if (view.px_per_mm && view.distance_mm && view.focal_px)
    add(FocalDoubt(view, camera, "focal_px", view.focal_px->value, view.focal_px->u));
  const std::optional<calib::Lens>& lens = camera.lens;
  if (!lens) return flags;
  if (view.px_per_mm && view.distance_mm) {
    add(FocalDoubt(view, camera, "the lens file's focal length", lens->fx_px,
                   lens->covariance ? std::sqrt((*lens->covariance)(0, 0)) : kLensPart * lens->fx_px));
  }
  if (lens->width_px != view.lens->width_px) {
    const bool told = view.px_per_mm && view.distance_mm;
    flags.push_back({"lens_scaled", told ? Severity::kInfo : Severity::kWarn, std::nullopt, std::nullopt,
                     fmt::format("the lens file is for {} x {} px, the picture is {} x {} px of the same "
                                 "shape: taken as the same "
                                 "field, {:.3f} times as many pixels{}",
                                 view.lens->width_px, view.lens->height_px, lens->width_px, lens->height_px,
                                 static_cast<double>(lens->width_px) / view.lens->width_px,
                                 told ? "; focal length, distance and scale were compared" : ""),
                     "many cameras crop in some modes: calibrate the lens in the clip's own mode, or state "
                     "distance_mm so that the "
                     "focal length can be checked"});
  }
  return flags;
}

std::optional<Flag> KnownConesOff(const View& view) {
  if (!view.known_cones || view.known_cones->worst_in_u <= 2.0) return std::nullopt;
  const KnownCones& known = *view.known_cones;
  return Flag{
      "known_cone_off",
      Severity::kWarn,
      std::nullopt,
      "half_angle_deg",
      fmt::format("known cone{} of {} read {:.2f} deg off with this rig, {:.1f} times the u of the check; as "
                  "much is in this result's u",
                  known.checks == 1 ? "" : "s", known.date, known.difference_deg, known.worst_in_u),
      "state tilt, distance and lens in the rig as they are, and film a known cone again"};
}

}  // namespace conebook::vision
