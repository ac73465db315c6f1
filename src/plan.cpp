#include "src/plan.h"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <vector>

#include <fmt/core.h>

#include <calib/cone_projection.h>
#include <calib/error.h>
#include <calib/regression.h>
#include <vision/cone_fit.h>

namespace conebook::src {
namespace {

using calib::Contribution;
using calib::Shared;

constexpr double kRadPerDeg = std::numbers::pi / 180.0;
constexpr double kExitPart = 0.1;  // of the picture's height, where the exit is put
constexpr double kFarPart = 0.7;   // of what is in view
// Of one frame's mean of both sides, spray steady: rms over 58 stretches of 48 rendered sprays (median 0.06).
// With the ten that pulsate by up to 1 deg it is 0.59.
constexpr double kFrameScatterDeg = 0.15;
constexpr double kLeastFrames = 30.0;   // for a median worth the name; common practice, no source
constexpr double kMedianFactor = 1.25;  // a median scatters more than a mean: sqrt(pi / 2)
constexpr double kKendall = 0.676497;
constexpr double kDropError = 0.04;
constexpr double kThresholdDeg = 0.01;  // a quarter of the move from 0.20 to 0.40 of the level, over root 3

void Require(bool good, const char* name, double value, const char* expected) {
  if (!good) throw calib::InputError(fmt::format("{} = {:g}: expected {}", name, value, expected));
}

struct Exit {
  double x_px = 0.0, y_px = 0.0;
};

Exit ExitOf(const PlanInput& in) {
  return {in.exit_x_px.value_or(0.5 * (in.width_px - 1)), in.exit_y_px.value_or(kExitPart * in.height_px)};
}

void Check(const PlanInput& in) {
  const auto positive = [](const char* name, double value) {
    Require(value > 0.0, name, value, "a number above 0");
  };
  positive("--pressure-bar", in.pressure_drop_bar);
  positive("--exit-mm", in.exit_diameter_mm);
  positive("--density-kg-m3", in.density_kg_m3);
  positive("--focal-mm", in.focal_mm);
  positive("--pixel-um", in.pixel_um);
  positive("--f-number", in.f_number);
  positive("--wanted-u-deg", in.wanted_u_deg);
  Require(in.half_angle_deg > 1.0 && in.half_angle_deg < 80.0, "--half-angle-deg", in.half_angle_deg,
          "1 to 80, half of the full angle");
  Require(in.width_px >= 64, "--width-px", in.width_px, "64 or more");
  Require(in.height_px >= 64, "--height-px", in.height_px, "64 or more");
  Require(in.distance_mm > 1.5 * in.focal_mm, "--distance-mm", in.distance_mm,
          "more than one and a half focal lengths, from the lens to the exit");
  if (in.fps) positive("--fps", *in.fps);
  if (in.exposure_us) positive("--exposure-us", *in.exposure_us);
  Require(in.pulsation_deg >= 0.0 && in.pulsation_deg < in.half_angle_deg, "--pulsation-deg",
          in.pulsation_deg, "0 or more, and less than the half angle");
  if (in.clip_s) positive("--clip-s", *in.clip_s);
  if (in.near_mm) positive("--near-mm", *in.near_mm);
  if (in.far_mm) positive("--far-mm", *in.far_mm);
  Require(in.tilt_deg > -80.0 && in.tilt_deg < 80.0, "--tilt-deg", in.tilt_deg,
          "-80 to 80, positive when the spray's far end leans towards the camera");
  const Exit exit = ExitOf(in);
  Require(exit.x_px > 0.0 && exit.x_px < in.width_px - 1, "--exit-px", exit.x_px, "a place in the picture");
  Require(exit.y_px > -0.5 && exit.y_px < in.height_px - 1, "--exit-px", exit.y_px, "a place in the picture");
  for (const auto& [name, u] : {std::pair{"--u-tilt-deg", in.u_tilt_deg},
                                std::pair{"--u-distance-percent", 100.0 * in.u_distance_part}})
    Require(u >= 0.0, name, u, "a standard uncertainty, not negative");
}

double FrameScatterDeg(const PlanInput& in) {
  return std::hypot(kFrameScatterDeg,
                    in.pulsation_deg / std::numbers::sqrt2);  // of a sine: amplitude / root 2
}

// The mean half angle read through `reader` from the outline that `truth` shows.
double ReadBack(const calib::ConeCamera& truth, const calib::ConeCamera& reader, double slope, double near_mm,
                double far_mm) {
  const calib::ConeProjection shown(truth), read(reader);
  double mean = 0.0;
  for (const double sign : {-1.0, 1.0}) {
    std::vector<double> z, x;
    constexpr int kRows = 24;
    for (int i = 0; i < kRows; ++i) {
      const double at = near_mm + (far_mm - near_mm) * i / (kRows - 1);
      const Eigen::Vector2d px = shown.PxFromMm({sign * slope * at, at});
      const calib::AxisPlanePoint p = read.MmFromPx(px);
      z.push_back(p.z_mm);
      x.push_back(p.x_mm);
    }
    const auto line = calib::FitLine(z, x);
    mean += 0.5 * read.HalfAngleDeg(sign < 0.0 ? calib::Side::kLeft : calib::Side::kRight, line->intercept,
                                    line->slope);
  }
  return mean;
}

calib::Quantity Expected(const PlanInput& in, const Plan& plan) {
  const double frames = plan.frames;
  calib::ConeCamera camera;
  const Exit exit = ExitOf(in);
  camera.exit_px = {exit.x_px, exit.y_px};
  camera.tilt_deg = in.tilt_deg;
  camera.px_per_mm = plan.px_per_mm;
  camera.distance_mm = in.distance_mm;
  camera.centre_x_px = 0.5 * (in.width_px - 1);
  camera.centre_y_px = 0.5 * (in.height_px - 1);
  const double near_mm =
      std::min(in.near_mm.value_or(std::max(1.0, 2.0 * in.exit_diameter_mm)), 0.5 * plan.far_mm);
  const double slope = std::tan(in.half_angle_deg * kRadPerDeg);
  const auto read = [&](auto change) {
    calib::ConeCamera moved = camera;
    change(moved);
    return ReadBack(camera, moved, slope, near_mm, plan.far_mm);
  };
  const double base = read([](calib::ConeCamera&) {});
  std::vector<Contribution> budget;
  budget.push_back({fmt::format("scatter from frame to frame ({:.0f} independent frames)", frames),
                    kMedianFactor * FrameScatterDeg(in) / std::sqrt(frames), Shared::kFrames,
                    std::max(1.0, frames - 1.0)});
  const double up = read([&](calib::ConeCamera& c) { c.tilt_deg += in.u_tilt_deg; }) - base;
  const double down = read([&](calib::ConeCamera& c) { c.tilt_deg -= in.u_tilt_deg; }) - base;
  budget.push_back(
      {"tilt", std::hypot(0.5 * (up - down), std::numbers::sqrt2 * 0.5 * (up + down)), Shared::kRig});
  if (in.distance_stated) {
    budget.push_back({"camera distance",
                      std::abs(read([&](calib::ConeCamera& c) {
                                 c.distance_mm = *c.distance_mm * (1.0 + in.u_distance_part);
                               }) -
                               base),
                      Shared::kRig});
  } else {
    budget.push_back({"camera distance not stated",
                      std::abs(read([](calib::ConeCamera& c) { c.distance_mm.reset(); }) - base),
                      Shared::kRig});
  }
  if (!in.lens_calibrated) {
    calib::Lens lens;
    lens.width_px = in.width_px;
    lens.height_px = in.height_px;
    lens.fx_px = lens.fy_px = in.distance_mm * plan.px_per_mm;
    lens.cx_px = camera.centre_x_px;
    lens.cy_px = camera.centre_y_px;
    lens.k1 = calib::UsualDistortion(lens);
    budget.push_back({"lens not calibrated",
                      std::abs(read([&](calib::ConeCamera& c) { c.lens = lens; }) - base), Shared::kRig});
  }
  budget.push_back({in.compressed ? "definition and compression" : "definition",
                    vision::DefinitionDeg({}, in.compressed, in.half_angle_deg), Shared::kModel});
  budget.push_back({"threshold", kThresholdDeg, Shared::kClip});
  return calib::Combine(in.half_angle_deg, std::move(budget));
}

}  // namespace

Plan MakePlan(const PlanInput& in) {
  Check(in);
  Plan plan;
  const double pixel_mm = 1e-3 * in.pixel_um;
  plan.magnification = in.focal_mm / (in.distance_mm - in.focal_mm);
  plan.px_per_mm = plan.magnification / pixel_mm;
  plan.focal_px = plan.px_per_mm * in.distance_mm;
  plan.view_width_mm = in.width_px / plan.px_per_mm;
  plan.view_height_mm = in.height_px / plan.px_per_mm;
  const double slope = std::tan(in.half_angle_deg * kRadPerDeg);
  const Exit exit = ExitOf(in);
  const double to_edge_px = std::min(exit.x_px + 0.5, in.width_px - 0.5 - exit.x_px);
  const double sideways_mm = std::max(0.0, to_edge_px / plan.px_per_mm - 0.5 * in.exit_diameter_mm) / slope;
  plan.spray_in_view_mm = std::min(sideways_mm, (in.height_px - exit.y_px) / plan.px_per_mm);
  plan.far_mm = in.far_mm.value_or(kFarPart * plan.spray_in_view_mm);
  if (!(plan.far_mm > 0.0) || plan.far_mm > plan.spray_in_view_mm) {
    throw calib::InputError(
        fmt::format("the far station at {:.1f} mm is out of view: the picture of {:.1f} x {:.1f} mm shows "
                    "the spray down to {:.1f} "
                    "mm; go farther away or take a shorter lens",
                    plan.far_mm, plan.view_width_mm, plan.view_height_mm, plan.spray_in_view_mm));
  }
  plan.speed_m_s = std::sqrt(2.0 * 1e5 * in.pressure_drop_bar / in.density_kg_m3);
  plan.longest_exposure_us = 1e3 / (plan.px_per_mm * plan.speed_m_s);
  if (in.exposure_us) plan.smear_px = *in.exposure_us / plan.longest_exposure_us;
  plan.independent_fps = 1e3 * plan.speed_m_s * std::cos(in.half_angle_deg * kRadPerDeg) / plan.far_mm;

  const double f2 = in.focal_mm * in.focal_mm;
  const double spread =
      in.f_number * pixel_mm * (in.distance_mm - in.focal_mm);  // circle of confusion: a pixel
  plan.near_limit_mm = in.distance_mm * f2 / (f2 + spread);
  if (f2 > spread) {
    plan.far_limit_mm = in.distance_mm * f2 / (f2 - spread);
    plan.depth_of_field_mm = *plan.far_limit_mm - plan.near_limit_mm;
  }
  plan.airy_um = 2.44e-3 * in.wavelength_nm * in.f_number * (1.0 + plan.magnification) / plan.magnification;
  plan.airy_px = 1e-3 * plan.airy_um * plan.px_per_mm;
  // Half the relative area error, 0.676 sqrt(r) / (pi r^2) / 2 = 4 %.
  const double radius_px = std::pow(kKendall / (2.0 * std::numbers::pi * kDropError), 2.0 / 3.0);
  plan.drop_4_percent_um = std::max(2e3 * radius_px / plan.px_per_mm, plan.airy_um);

  plan.frames_wanted =
      std::max(kLeastFrames, std::ceil(std::pow(kMedianFactor * FrameScatterDeg(in) / in.wanted_u_deg, 2)));
  const double independent_a_second = in.fps ? std::min(*in.fps, plan.independent_fps) : plan.independent_fps;
  plan.clip_s = plan.frames_wanted / independent_a_second;
  plan.frames = in.clip_s ? std::max(1.0, std::floor(*in.clip_s * independent_a_second)) : plan.frames_wanted;
  plan.half_angle_deg = Expected(in, plan);
  return plan;
}

}  // namespace conebook::src
