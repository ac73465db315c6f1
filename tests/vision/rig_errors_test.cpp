// What the rig leaves open, by trying: an error of one u in what it states moves the angle by what its line
// of the budget says (JCGM 100:2008, 5.1.4). A picture off the exit's own axis and close by, so that each of
// them tells.
#include <cmath>
#include <optional>
#include <string>

#include <catch2/catch.hpp>

#include <vision/spray_measurement.h>

#include "small_clip.h"

using namespace conebook;
using namespace conebook::tests;

namespace {

const std::string& CloseClip() {
  static const std::string kClip =
      Clip("close", "distance_mm=160 tilt_deg=6 exit_y_px=20 half_angle_deg=40 breakup_mm=16").string();
  return kClip;
}

vision::View CloseView() {
  vision::View view = ViewOfClip();
  view.distance_mm = Known(160.0, 4.0);
  view.tilt_deg = Known(6.0, 0.5);
  view.px_per_mm = Known(8.2, 0.2);
  view.exit_y_px = Known(20.0, 2.0);
  view.near_mm = 2.5;
  view.far_mm = 11.0;
  return view;
}

calib::Quantity HalfAngleOf(const vision::View& view) {
  const vision::ClipReading reading = vision::ReadClip(CloseClip(), view, {});
  REQUIRE_FALSE(reading.Rejected());
  const vision::SprayMeasurement m = vision::MeasureSpray(reading, view, {});
  REQUIRE(m.points.at(0).half_angle);
  return m.points[0].half_angle->mean_deg;
}

std::optional<double> LineOf(const calib::Quantity& quantity, const std::string& source) {
  for (const calib::Contribution& c : quantity.budget) {
    if (c.source == source) return c.u;
  }
  return std::nullopt;
}

// Half of what the angle changes by between one u more and one u less.
template <typename Change>
double ByTrying(const vision::View& view, Change change) {
  vision::View more = view;
  vision::View less = view;
  change(more, 1.0);
  change(less, -1.0);
  return 0.5 * std::abs(HalfAngleOf(more).value - HalfAngleOf(less).value);
}

}  // namespace

TEST_CASE("distance, tilt and scale as stated are worth what the budget says", "[vision][budget]") {
  const vision::View view = CloseView();
  const calib::Quantity angle = HalfAngleOf(view);
  const auto distance = LineOf(angle, "camera distance");
  REQUIRE(distance);
  CHECK(*distance > 0.02);
  CHECK(*distance == Approx(ByTrying(view, [](vision::View& v, double sign) {
                       v.distance_mm->value += sign * 4.0;
                     })).epsilon(0.15));
  const auto tilt = LineOf(angle, "tilt");
  REQUIRE(tilt);
  CHECK(*tilt > 0.02);
  CHECK(*tilt == Approx(ByTrying(view, [](vision::View& v, double sign) {
                   v.tilt_deg.value += sign * 0.5;
                 })).epsilon(0.15));
  const auto scale = LineOf(angle, "scale");
  REQUIRE(scale);
  CHECK(*scale > 0.02);
  CHECK(*scale ==
        Approx(ByTrying(view, [](vision::View& v, double sign) { v.px_per_mm->value += sign * 0.2; }))
            .epsilon(0.15)
            .margin(0.01));
}

TEST_CASE("where focal length and scale tell the distance, their u counts, as stated", "[vision][budget]") {
  vision::View view = CloseView();
  view.distance_mm.reset();
  view.focal_px = Known(8.2 * 160.0, 40.0);
  const char* const source = "camera distance (by scale and focal length)";
  const auto line = LineOf(HalfAngleOf(view), source);
  REQUIRE(line);
  const double of_focal =
      ByTrying(view, [](vision::View& v, double sign) { v.focal_px->value += sign * 40.0; });
  const double of_scale =
      ByTrying(view, [](vision::View& v, double sign) { v.px_per_mm->value += sign * 0.2; });
  CHECK(*line == Approx(std::hypot(of_focal, of_scale)).epsilon(0.15).margin(0.01));
  view.focal_px->u = 160.0;
  const auto wider = LineOf(HalfAngleOf(view), source);
  REQUIRE(wider);
  CHECK(*wider > 2.0 * *line);
}

TEST_CASE("where focal length and distance tell the scale, an error of the distance leaves the lens as it is",
          "[vision][budget]") {
  vision::View view = CloseView();
  view.px_per_mm.reset();
  view.focal_px = Known(8.2 * 160.0, 40.0);
  const calib::Quantity angle = HalfAngleOf(view);
  const auto distance = LineOf(angle, "camera distance");
  const auto focal = LineOf(angle, "focal length");
  REQUIRE(distance);
  REQUIRE(focal);
  CHECK(*distance ==
        Approx(ByTrying(view, [](vision::View& v, double sign) { v.distance_mm->value += sign * 4.0; }))
            .epsilon(0.2)
            .margin(0.01));
  CHECK(*focal ==
        Approx(ByTrying(view, [](vision::View& v, double sign) { v.focal_px->value += sign * 40.0; }))
            .epsilon(0.2)
            .margin(0.01));
}

TEST_CASE("a scale stated without doubt adds no line", "[vision][budget]") {
  vision::View view = CloseView();
  view.px_per_mm->u = 0.0;
  CHECK_FALSE(LineOf(HalfAngleOf(view), "scale"));
}
