// What is said of a pair of sides, whatever pictures they came from.
#include <cmath>
#include <numbers>
#include <optional>
#include <random>

#include <catch2/catch.hpp>

#include <vision/angle_doubts.h>

using namespace conebook;

namespace {

calib::Quantity Read(double value, double u) {
  calib::Quantity quantity;
  quantity.value = value;
  quantity.u = u;
  return quantity;
}

std::vector<cv::Point2f> NoBoundary(int, const vision::Block&) {
  return {};
}

vision::AngleDoubts DoubtsOfSides(double left_deg, double right_deg, double u_lean_deg,
                                  double swing_deg = 0.0) {
  vision::ConeAngles angles;
  angles.left_deg = Read(left_deg, u_lean_deg);
  angles.right_deg = Read(right_deg, u_lean_deg);
  angles.mean_deg = Read(0.5 * (left_deg + right_deg), 0.1);
  angles.lean_deg = Read(0.5 * (right_deg - left_deg), u_lean_deg);
  for (int k = 0; k < 60; ++k) {
    const double swing = k % 2 == 0 ? swing_deg : -swing_deg;
    angles.frame_left_deg.push_back(left_deg + swing);
    angles.frame_right_deg.push_back(right_deg + swing);
    angles.frame_found.push_back(1);
    angles.frame_swing.mean_deg.push_back(0.0);
  }
  calib::ConeCamera camera;
  camera.px_per_mm = 20.0;
  return vision::DoubtsOf(angles, camera, 2.0, 10.0, 0.5, NoBoundary);
}

// A straight cone whose half angle scatters by a tenth of a degree, `memory` of it from frame to frame: some
// (1 - memory) / (1 + memory) of the frames are independent (first-order autoregression).
std::optional<calib::Flag> ShortRecordOf(int frames, double memory, unsigned seed, double u_frames_deg = 0.1,
                                         double u_rig_deg = 0.0) {
  std::mt19937_64 random(seed);
  std::normal_distribution<double> normal(0.0, 0.1);
  vision::ConeAngles angles;
  angles.left_deg = angles.right_deg = Read(30.0, 0.1);
  angles.mean_deg = calib::Combine(
      30.0, {{"scatter", u_frames_deg, calib::Shared::kFrames}, {"tilt", u_rig_deg, calib::Shared::kRig}});
  angles.lean_deg = Read(0.0, 0.1);
  double off = normal(random);
  for (int k = 0; k < frames; ++k) {
    off = memory * off + std::sqrt(1.0 - memory * memory) * normal(random);
    angles.frame_left_deg.push_back(30.0 + off);
    angles.frame_right_deg.push_back(30.0 + off);
    angles.frame_found.push_back(1);
    angles.frame_swing.mean_deg.push_back(0.0);
  }
  calib::ConeCamera camera;
  camera.px_per_mm = 20.0;
  for (const calib::Flag& flag : vision::DoubtsOf(angles, camera, 2.0, 10.0, 0.5, NoBoundary).flags) {
    if (flag.code == "short_record") return flag;
  }
  return std::nullopt;
}

// A cone of 30 deg whose sides bend to and fro one and a half times between the stations: by as much as turns
// a least-squares line by `turn_deg` (a sine's 6 A / (pi n L), closed form; see straightness.h).
bool NotStraight(double turn_deg, double u_deg) {
  constexpr double kNearMm = 2.0, kFarMm = 10.0, kExitRadiusMm = 0.5, kPeriods = 1.5;
  const double tan = std::tan(30.0 * std::numbers::pi / 180.0);
  const double span_mm = kFarMm - kNearMm;
  const double amplitude_mm =
      turn_deg * std::numbers::pi / 180.0 * (1.0 + tan * tan) * std::numbers::pi * kPeriods * span_mm / 6.0;
  calib::ConeCamera camera;
  camera.px_per_mm = 20.0;
  const calib::ConeProjection projection(camera);
  vision::ConeAngles angles;
  angles.left_deg = angles.right_deg = angles.mean_deg = Read(30.0, u_deg);
  angles.lean_deg = Read(0.0, u_deg);
  std::mt19937_64 random(5);
  std::normal_distribution<double> jitter_mm(0.0, 0.005);  // a tenth of a pixel
  for (double z_mm = kNearMm; z_mm < kFarMm; z_mm += 1.0 / camera.px_per_mm) {
    const double wave_mm =
        amplitude_mm * std::sin(2.0 * std::numbers::pi * kPeriods * (z_mm - kNearMm) / span_mm);
    for (const int side : {0, 1}) {
      const double out_mm = std::hypot(kExitRadiusMm, z_mm * tan) + wave_mm + jitter_mm(random);
      const Eigen::Vector2d px = projection.PxFromMm({side == 0 ? -out_mm : out_mm, z_mm});
      angles.boundary_px[static_cast<std::size_t>(side)].emplace_back(px.x(), px.y());
    }
  }
  for (int k = 0; k < 60; ++k) {
    angles.frame_left_deg.push_back(30.0);
    angles.frame_right_deg.push_back(30.0);
    angles.frame_found.push_back(1);
    angles.frame_swing.mean_deg.push_back(0.0);
  }
  for (const calib::Flag& flag :
       vision::DoubtsOf(angles, camera, kNearMm, kFarMm, kExitRadiusMm, NoBoundary).flags) {
    if (flag.code == "sides_not_straight") return true;
  }
  return false;
}

}  // namespace

// The camera's and the holder's misalignment are degrees (common practice, no source).
TEST_CASE("a side that stands nearly along the axis, the other wide, is no cone", "[vision][doubts]") {
  for (const double narrow : {2.5, -3.0}) {
    const vision::AngleDoubts doubts = DoubtsOfSides(30.0, narrow, 0.2);
    CHECK(doubts.no_cone);
    REQUIRE(doubts.flags.size() == 1);
    CHECK(doubts.flags[0].code == "not_a_cone");
    CHECK(DoubtsOfSides(narrow, 30.0, 0.2).no_cone);
  }
}

TEST_CASE("a cone that leans by some degrees is one", "[vision][doubts]") {
  CHECK_FALSE(DoubtsOfSides(18.0, 12.0, 0.2).no_cone);
  CHECK_FALSE(DoubtsOfSides(50.0, 40.0, 0.2).no_cone);
  // The axis may be that far off.
  CHECK_FALSE(DoubtsOfSides(14.0, 3.0, 3.0).no_cone);
}

// Drops on a window passed for a side: rendered clip, 60 and 28 deg with a true half angle of 58.
TEST_CASE("of a cone that flutters, a lean of many degrees is none", "[vision][doubts]") {
  CHECK(DoubtsOfSides(60.4, 27.8, 2.4, 2.6).no_cone);
  CHECK_FALSE(DoubtsOfSides(60.4, 27.8, 2.4, 0.3).no_cone);
  // A cone that swings, and leans little, is one.
  CHECK_FALSE(DoubtsOfSides(34.0, 30.0, 0.2, 3.0).no_cone);
}

// Rendered clip, u 0.05: a wave of 0.2 deg was warned about, and the angle 0.01 deg off.
TEST_CASE("a side is called crooked for what its waves can do to the angle, not for how small its u is",
          "[vision][doubts]") {
  for (const double u_deg : {0.02, 0.05, 0.09}) {
    INFO("u " << u_deg << " deg");
    CHECK_FALSE(NotStraight(0.15, u_deg));
    CHECK(NotStraight(0.4, u_deg));
  }
  CHECK_FALSE(NotStraight(0.4, 0.3));
}

TEST_CASE("below 20 correlation times a record is short, whether frames are few or alike",
          "[vision][doubts]") {
  for (unsigned seed = 1; seed <= 5; ++seed) {
    INFO("seed " << seed);
    CHECK_FALSE(ShortRecordOf(200, 0.0, seed));
    CHECK_FALSE(ShortRecordOf(1000, 0.8, seed));  // about 110 times
    CHECK(ShortRecordOf(10, 0.0, seed));
    CHECK(ShortRecordOf(100, 0.9, seed));  // about 5
  }
  const auto alike = ShortRecordOf(60, 0.97, 1);  // about 1
  REQUIRE(alike);
  CHECK(alike->severity == calib::Severity::kWarn);
}

// Rendered clip: the angle crept by 0.06 deg as the pressure settled, scatter 0.01 in a u of 0.04.
TEST_CASE("a short record is warned of where scatter makes most of u, and else only told",
          "[vision][doubts]") {
  const auto severity = [](double u_frames_deg, double u_rig_deg) {
    return ShortRecordOf(60, 0.97, 1, u_frames_deg, u_rig_deg)->severity;
  };
  CHECK(severity(0.10, 0.05) == calib::Severity::kWarn);
  CHECK(severity(0.01, 0.04) == calib::Severity::kInfo);
}
