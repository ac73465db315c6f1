// A run made up for tests of what a page or a film shows: a plain grey cone with the boundary, lines and
// breakup that belong to it. Nothing here was measured.
#pragma once

#include <cmath>
#include <cstdint>
#include <limits>
#include <numbers>

#include <opencv2/core.hpp>

#include "src/run.h"

namespace conebook::src::testing {

inline calib::Quantity Made(double value, double u, const char* main_source, calib::Shared shared) {
  return calib::Combine(value, {{main_source, 0.8 * u, shared},
                                {"statistics of the frames", 0.6 * u, calib::Shared::kFrames, 11.0}});
}

inline calib::Quantity Plain(double value, double u, double dof = std::numeric_limits<double>::infinity()) {
  return {value, u, dof, {}};
}

inline Point MadePoint(double pressure_bar, double half_angle_deg, double breakup_mm, double t0_s) {
  constexpr double kPxPerMm = 8.2, kLeanDeg = 0.9;
  const cv::Point2d exit(640.0, 82.5);
  Point point;
  point.video = vision::TimeSpan{t0_s, t0_s + 2.4};
  point.frames = 144;
  point.log_t0_s = t0_s + 1.25;
  point.log_t1_s = t0_s + 3.65;
  point.pressure_bar =
      Made(pressure_bar, 0.005 * pressure_bar, "pressure sensor (assumed 0.5 %)", calib::Shared::kMeter);
  const double flow_kg_s = 0.0105 * std::sqrt(pressure_bar / 4.0);
  point.flow_kg_s = Made(flow_kg_s, 0.012 * flow_kg_s, "k-factor (assumed 1 %)", calib::Shared::kMeter);
  point.flow_area_mm2 = Made(0.3715, 0.0042, "k-factor (assumed 1 %)", calib::Shared::kMeter);
  point.cd = Cd{Made(0.1848, 0.0028, "area (assumed 1 %)", calib::Shared::kRig), "exit", Plain(2.01, 0.02)};
  point.temperature_c = 18.0;

  vision::SprayPoint& spray = point.spray;
  spray.frames = 144;
  spray.stage = vision::SprayStage::kFullyDeveloped;
  vision::HalfAngle angle;
  angle.left_deg = Made(half_angle_deg - kLeanDeg, 0.31, "tilt (assumed 2 deg)", calib::Shared::kRig);
  angle.right_deg = Made(half_angle_deg + kLeanDeg, 0.29, "tilt (assumed 2 deg)", calib::Shared::kRig);
  angle.mean_deg = Made(half_angle_deg, 0.26, "tilt (assumed 2 deg)", calib::Shared::kRig);
  angle.lean_deg = Made(kLeanDeg, 0.51, "axis (assumed 0.5 deg)", calib::Shared::kRig);
  spray.half_angle = angle;
  spray.apparent_half_angle_deg = Made(half_angle_deg + 0.2, 0.12, "threshold", calib::Shared::kModel);
  spray.sheet_half_angle_deg =
      Made(half_angle_deg - 0.7, 0.34, "variants of the sheet fit", calib::Shared::kModel);
  spray.cone_half_angle_deg = Made(half_angle_deg + 0.5, 0.38, "exit radius", calib::Shared::kRig);
  spray.breakup_mm = Made(breakup_mm, 0.04 * breakup_mm, "spread of the estimators", calib::Shared::kModel);

  cv::Mat still(720, 1280, CV_8U, cv::Scalar(196));
  still(cv::Rect(600, 0, 80, 82)).setTo(28);
  const double left = std::tan((half_angle_deg - kLeanDeg) * std::numbers::pi / 180.0);
  const double right = std::tan((half_angle_deg + kLeanDeg) * std::numbers::pi / 180.0);
  std::uint32_t noise = 12345;
  for (int y = 83; y < 700; ++y) {
    const double z = y - exit.y;
    const double wave = 2.0 * std::sin(z / 9.0) * z / 200.0;
    const double x_left = exit.x - 6.5 - left * z - wave, x_right = exit.x + 6.5 + right * z + wave;
    const bool broken = z > breakup_mm * kPxPerMm;
    for (int x = std::max(0, static_cast<int>(x_left)); x < std::min(1280.0, x_right); ++x) {
      noise = noise * 1664525U + 1013904223U;
      const int grain = static_cast<int>(noise >> 27U);
      const bool rim = x - x_left < 7.0 || x_right - x < 7.0;
      if (broken && (noise >> 20U) % 7 != 0) continue;
      still.at<std::uint8_t>(y, x) = static_cast<std::uint8_t>((rim ? 70 : 140) + grain);
    }
    if (!broken && y % 2 == 0) {
      spray.boundary_left.emplace_back(static_cast<float>(x_left), static_cast<float>(y));
      spray.boundary_right.emplace_back(static_cast<float>(x_right), static_cast<float>(y));
    }
  }
  spray.still = still;
  for (int i = 0; i < 2; ++i) {
    const double z = (i == 0 ? 2.0 : 12.0) * kPxPerMm;
    spray.line_left[i] = cv::Point2f(cv::Point2d(exit.x - 6.5 - left * z, exit.y + z));
    spray.line_right[i] = cv::Point2f(cv::Point2d(exit.x + 6.5 + right * z, exit.y + z));
  }
  for (int i = 0; i <= 16; ++i) {
    const double z = breakup_mm * kPxPerMm * (1.0 + 0.03 * std::sin(2.1 * i));
    const double share = 0.1 + 0.8 * i / 16.0;
    spray.breakup_front.emplace_back(static_cast<float>(exit.x - left * z + share * (left + right) * z),
                                     static_cast<float>(exit.y + z));
  }
  for (int i = 0; i < 144; ++i) {
    vision::FrameAngle frame;
    frame.t_s = t0_s + i / 60.0;
    frame.left_deg = static_cast<float>(half_angle_deg - kLeanDeg + 0.5 * std::sin(1.7 * i));
    frame.right_deg = static_cast<float>(half_angle_deg + kLeanDeg + 0.5 * std::cos(2.3 * i));
    // Every 24th frame gave no breakup.
    if (i % 24 != 5) frame.breakup_mm = static_cast<float>(breakup_mm * (1.0 + 0.05 * std::sin(3.1 * i)));
    spray.series.push_back(frame);
  }
  return point;
}

inline Run MadeRun() {
  Run run;
  run.program_version = "0.1.0";
  run.program_build = "made-up";
  run.element = "A07";
  run.batch = "reamed";
  run.kind = "swirl";
  run.rig_path = "rig.toml";
  run.rig_sha256 = std::string(64, 'a');
  run.log = InputFile{"stand.csv", std::string(64, 'b')};
  run.settings_json = R"({"threshold":0.3,"stations":{"near_mm":2.0,"far_mm":12.0},"empty":[]})";
  run.footage = InputFile{"a07_phone.mp4", std::string(64, 'c')};
  run.clip.frames = 900;
  run.clip.width_px = 1280;
  run.clip.height_px = 720;
  run.clip.duration_s = 15.0;
  run.clip.spray_start_s = 1.4;
  run.clip.illumination = vision::Illumination::kBacklit;
  run.px_per_mm = Plain(8.2, 0.08);
  run.near_mm = 2.0;
  run.far_mm = 12.0;
  run.has_scale = true;
  run.lean_against_image_vertical = false;
  run.exit_px = {640.0, 82.5};
  run.exit_diameter_mm = 1.6;
  run.sync = Sync{Plain(1.25, 0.02), "onset"};
  run.flow_law = FlowLaw{Plain(0.3715, 0.0040, 6.0), Plain(0.1848, 0.0027, 6.0), Plain(0.498, 0.006, 3.0)};
  run.opening.rising = OpeningInterval{0.8, 1.2};
  run.points = {MadePoint(2.0, 33.4, 31.0, 2.5), MadePoint(4.0, 35.1, 26.5, 6.0),
                MadePoint(8.0, 36.8, 22.0, 9.5)};
  for (int i = 0; i < 360; ++i) {
    const double t = i * 0.05;
    const double bar = t < 2.65 ? 0.02 : t < 6.8 ? 2.0 : t < 10.3 ? 4.0 : t < 14.5 ? 8.0 : 0.02;
    run.trace.time_s.push_back(t);
    run.trace.pressure_bar.push_back(bar + 0.02 * std::sin(3.0 * i));
    run.trace.flow_kg_s.push_back(0.0105 * std::sqrt(bar / 4.0) + 0.0001 * std::cos(2.0 * i));
  }
  run.flags = {
      {"exit_found", calib::Severity::kInfo, std::nullopt, "half_angle_deg",
       "The exit was found at (640.0, 82.5) px.", "State [nozzle] exit_px to save its uncertainty."},
      {"background_estimated", calib::Severity::kWarn, 2, "half_angle_deg",
       "There were no spray-free frames within 3 s of this point.", "Start filming before the valve opens."}};
  return run;
}

// What a picture says of evenness and waves, and what collectors say, all made up.
inline void AddSpread(Run& run) {
  vision::SprayPoint& spray = run.points[0].spray;
  vision::Evenness& evenness = spray.evenness.emplace();
  evenness.from_mm = 20.0;
  evenness.to_mm = 28.0;
  evenness.at_mm = 24.0;
  evenness.frames = 96;
  evenness.least_streak = 0.07;
  for (int k = -10; k <= 10; ++k) {
    evenness.angle_deg.push_back(4.0 * k);
    evenness.absorbance.push_back(0.3 * std::exp(-0.02 * std::pow(std::abs(k) - 7.0, 2)));
    evenness.u_absorbance.push_back(0.004);
  }
  evenness.balance = Made(0.12, 0.02, "light of the air beside the spray", calib::Shared::kClip);
  evenness.streaks.push_back({-11.5, Made(0.2, 0.03, "scatter between blocks", calib::Shared::kFrames)});
  vision::ExtinctionProfile& profile = evenness.profile.emplace();
  for (int k = 0; k <= 20; ++k) {
    profile.radius_mm.push_back(k);
    profile.extinction_per_mm.push_back(0.02 * std::exp(-0.1 * std::pow(k - 15.0, 2)));
    profile.u_per_mm.push_back(0.0004);
  }
  profile.peak_radius_mm = Made(15.0, 0.3, "scale", calib::Shared::kRig);
  profile.peak_angle_deg = Made(32.0, 0.6, "left against right", calib::Shared::kModel);
  profile.hollowness = Made(0.93, 0.03, "noise and smoothing", calib::Shared::kFrames);

  vision::EdgeWaves& waves = spray.waves.emplace();
  waves.wavelength_mm = Made(3.1, 0.1, "scale", calib::Shared::kRig);
  waves.speed_m_s = Made(17.2, 0.5, "scatter between blocks", calib::Shared::kFrames);
  run.points[0].wave_speed_part = Plain(0.81, 0.03);
  waves.alias_step_m_s = 62.0;
  waves.ambiguous = true;
  waves.from_mm = 5.0;
  waves.to_mm = 17.0;
  waves.rms_mm = 0.2;
  waves.interval_s = 5e-5;
  waves.picture = cv::Mat(163, 200, CV_8U);
  for (int y = 0; y < waves.picture.rows; ++y) {
    for (int x = 0; x < waves.picture.cols; ++x)
      waves.picture.at<std::uint8_t>(y, x) =
          static_cast<std::uint8_t>(130.0 + 60.0 * std::sin(0.3 * (y - 0.6 * x)));
  }
  waves.picture_s = 0.01;

  calib::Patternation& collected = run.collected.emplace();
  collected.total_g_s = Plain(20.5, 0.1);
  collected.repeats = 2;
  for (int k = 0; k < 6; ++k) {
    calib::CollectorFlow flow;
    flow.index = k;
    flow.angle_deg = 60.0 * k;
    flow.flow_g_s = Plain(3.4 + 0.1 * k, 0.02);
    flow.share = Plain((3.4 + 0.1 * k) / 21.9, 0.001);
    collected.sectors.push_back(flow);
  }
  collected.non_uniformity = Plain(0.03, 0.002);
  collected.non_uniformity_by_noise = 0.001;
  collected.largest_over_smallest = 1.15;
  collected.imbalance =
      calib::Imbalance{Plain(0.06, 0.004), Plain(0.01, 0.004), Plain(-0.059, 0.004), Plain(280.0, 4.0)};
}

}  // namespace conebook::src::testing
