// A picture whose still parts do not keep still: zoom, stabilisation, focus breathing, a nozzle that gives
// way. Rendered, so that size and turn are known.
#include <cmath>
#include <string>

#include <catch2/catch.hpp>

#include <vision/clip_reading.h>
#include <vision/spray_measurement.h>

#include "small_clip.h"

using namespace conebook;
using namespace conebook::tests;

namespace {

// A holder wide enough to tell size by.
const std::string kHolder = "holder=13 tip=2.6 body=0.05 ";

struct Measured {
  vision::ClipReading reading;
  vision::SprayMeasurement spray;
  const calib::Flag* Flag(const char* code) const { return Find(reading.flags, code); }
  const vision::SprayPoint& Point() const { return spray.points.at(0); }
};

Measured Measure(const std::string& name, const std::string& more, bool frontlit = false) {
  vision::View view = ViewOfClip();
  if (frontlit) view.illumination = vision::Illumination::kFrontlit;
  Measured m;
  m.reading = vision::ReadClip(Clip(name, kHolder + more).string(), view, {});
  REQUIRE_FALSE(m.reading.Rejected());
  m.spray = vision::MeasureSpray(m.reading, view, {});
  REQUIRE(m.Point().half_angle);
  return m;
}

const Measured& Steady() {
  static const Measured kSteady = Measure("steady", "");
  return kSteady;
}

}  // namespace

TEST_CASE("a zoom during the clip is measured, flagged and taken out", "[vision][motion]") {
  const Measured zoomed = Measure("zoomed", "zoom=0.04 zoom_from=0.3 zoom_to=0.6");
  REQUIRE(zoomed.Flag("picture_moves"));
  CHECK(zoomed.Flag("picture_moves")->severity == calib::Severity::kInfo);
  const vision::MotionEffect& motion = *zoomed.reading.kept->motion;
  CHECK(motion.growth == Approx(std::log(1.04)).margin(0.003));
  CHECK(motion.turn_deg < 0.3);
  // Without it a breakup length would be off by 4 %. Frame by frame the two clips show the same spray.
  REQUIRE(zoomed.Point().breakup_mm);
  REQUIRE(Steady().Point().breakup_mm);
  CHECK(zoomed.Point().breakup_mm->value == Approx(Steady().Point().breakup_mm->value).epsilon(0.02));
  CHECK(zoomed.Point().half_angle->mean_deg.value ==
        Approx(Steady().Point().half_angle->mean_deg.value).margin(0.1));
}

TEST_CASE("a picture that turns does not turn the lean", "[vision][motion]") {
  const Measured turned = Measure("turned", "roll_deg=1.2 roll_hz=0.35");
  REQUIRE(turned.Flag("picture_moves"));
  const vision::MotionEffect& motion = *turned.reading.kept->motion;
  CHECK(motion.turn_deg > 1.0);
  const calib::Quantity& lean = turned.Point().half_angle->lean_deg;
  CHECK(lean.value ==
        Approx(Steady().Point().half_angle->lean_deg.value).margin(2.0 * motion.u_turn_deg + 0.1));
}

TEST_CASE("focus breathing is a change of size", "[vision][motion]") {
  const Measured breathing = Measure("breathing", "breathing=0.008 breathing_hz=2 breathing_blur_px=1");
  REQUIRE(breathing.Flag("picture_moves"));
  CHECK(breathing.reading.kept->motion->growth == Approx(0.016).margin(0.003));
}

TEST_CASE("a steady picture, hand shake and drops on a window are no zoom", "[vision][motion]") {
  CHECK_FALSE(Steady().Flag("picture_moves"));
  CHECK_FALSE(Steady().Flag("nozzle_moves"));
  CHECK_FALSE(Measure("shaken", "shake_px=1.5").Flag("picture_moves"));
  CHECK_FALSE(Measure("misty", "haze=0.1 haze_rise_s=0.3 exposure_drift=0.05").Flag("picture_moves"));
}

TEST_CASE("a scene that is lost is said to be", "[vision][motion]") {
  const Measured lost = Measure("lost", "zoom=0.5 zoom_from=0.5 zoom_to=0.51");
  REQUIRE(lost.Flag("picture_moves"));
  CHECK(lost.Flag("picture_moves")->severity == calib::Severity::kWarn);
}

TEST_CASE("the boundary goes with a nozzle that gives way", "[vision][motion]") {
  const std::string light = "light=frontlit background=0.08 structure=1 body=0.2 holder=0 tip=3 lost_side=0 ";
  const Measured still = Measure("still", light, true);
  const Measured moved = Measure("moved", light + "step_x_px=4 step_y_px=0", true);
  // The scene holds what the nozzle stands before: whichever of the two a frame's shift follows, the lines
  // meet the exit's row where they did.
  const auto middle = [](const Measured& m) {
    const auto at_exit = [](const cv::Point2f line[2]) {
      const float part = (46.0F - line[0].y) / (line[1].y - line[0].y);
      return line[0].x + part * (line[1].x - line[0].x);
    };
    return 0.5F * (at_exit(m.Point().line_left) + at_exit(m.Point().line_right));
  };
  CHECK(middle(moved) == Approx(middle(still)).margin(0.5));
  CHECK_FALSE(still.Flag("nozzle_moves"));
  CHECK(moved.Point().half_angle->mean_deg.value ==
        Approx(still.Point().half_angle->mean_deg.value).margin(0.15));
}

// 6 px are 4 % of the breakup length here.
TEST_CASE("a nozzle pushed along its axis takes angles and breakup length along", "[vision][motion]") {
  const Measured pushed = Measure("pushed", "step_y_px=6");
  REQUIRE_FALSE(pushed.Point().series.empty());
  CHECK(pushed.Point().series.back().shift_y_px == Approx(6.0).margin(0.3));
  CHECK(pushed.Point().half_angle->mean_deg.value ==
        Approx(Steady().Point().half_angle->mean_deg.value).margin(0.1));
  REQUIRE(pushed.Point().breakup_mm);
  REQUIRE(Steady().Point().breakup_mm);
  CHECK(pushed.Point().breakup_mm->value == Approx(Steady().Point().breakup_mm->value).epsilon(0.015));
}
