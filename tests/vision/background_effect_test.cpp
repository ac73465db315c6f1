// What is not known of the background, where no frame is free of spray.
#include "vision/background_effect.h"

#include <algorithm>
#include <cmath>
#include <optional>
#include <vector>

#include <catch2/catch.hpp>

#include <vision/scene.h>
#include <vision/spray_measurement.h>

#include "small_clip.h"

using namespace conebook;
using namespace conebook::tests;

namespace {

constexpr int kRows = 300;
constexpr double kFlankPx = 8.0, kLevel = 0.5;  // px per part of the level

// An upright edge 100 px beside the axis, the picture's light as given. Lines begin where the background is
// no longer continued, here 6 px out in all rows.
template <typename Light>
std::optional<double> SlopeBefore(Light light, int side = vision::kRightSide) {
  vision::ClipModel model;
  model.illumination = vision::Illumination::kFrontlit;
  model.background = cv::Mat1f(kRows, 481);
  for (int y = 0; y < kRows; ++y)
    for (int x = 0; x < 481; ++x) model.background(y, x) = static_cast<float>(light(x, y));
  model.exit_px = {240.0, 1000.0};
  model.first_row = 0;
  model.rows = kRows;
  std::vector<vision::BoundaryRow> boundary;
  for (int row = 0; row < kRows; ++row) {
    const double continued = vision::ContinuedBesidePx(row - model.exit_px.y);
    boundary.push_back({row, 106.0 - continued, 1.0});
  }
  return vision::SlopeByBackground(model, boundary, side, 0, kRows, kFlankPx / kLevel, {});
}

}  // namespace

TEST_CASE("an even background, and one that slopes evenly, turn no line", "[vision][background]") {
  REQUIRE(SlopeBefore([](int, int) { return 0.3; }));
  CHECK(*SlopeBefore([](int, int) { return 0.3; }) == Approx(0.0).margin(1e-9));
  CHECK(*SlopeBefore([](int x, int y) { return 0.1 + 4e-4 * x + 6e-4 * y; }) == Approx(0.0).margin(1e-6));
}

// By hand: a strip that grows brighter down the rows lies under the second of twelve lines, and makes up a
// sixth of the band beyond the first.
TEST_CASE("a strip that grows brighter beside an edge turns its line by flank times growth over level",
          "[vision][background]") {
  constexpr double kGrowth = 1e-3;
  const auto strip = [](int x, int y) { return 0.3 + (x >= 357 && x <= 359 ? kGrowth * y : 0.0); };
  const auto slope = SlopeBefore(strip);
  REQUIRE(slope);
  const double one_line = kFlankPx * kGrowth / kLevel;
  CHECK(*slope == Approx(one_line * std::sqrt((1.0 + 1.0 / 36.0) / 12.0)).epsilon(0.01));
  const auto mirrored = SlopeBefore([&](int x, int y) { return strip(480 - x, y); }, vision::kLeftSide);
  REQUIRE(mirrored);
  CHECK(*mirrored == *slope);
}

TEST_CASE("without spray-free frames clutter behind the spray is in u", "[vision][background]") {
  const auto measure = [](const std::string& name, const std::string& more) {
    vision::View view = ViewOfClip();
    view.illumination = vision::Illumination::kFrontlit;
    const vision::ClipReading reading = vision::ReadClip(
        Clip(name, "light=frontlit film=grey prespray=0 lost_side=0 " + more).string(), view, {});
    REQUIRE_FALSE(reading.Rejected());
    const vision::SprayMeasurement spray = vision::MeasureSpray(reading, view, {});
    REQUIRE(spray.points.at(0).half_angle);
    return *spray.points[0].half_angle;
  };
  const auto of_background = [](const calib::Quantity& angle) {
    const auto at = std::find_if(angle.budget.begin(), angle.budget.end(), [](const calib::Contribution& c) {
      return c.source == "background continued across the spray";
    });
    REQUIRE(at != angle.budget.end());
    return at->u;
  };
  const vision::HalfAngle even = measure("even", "structure=0 background=0.05");
  const vision::HalfAngle cluttered = measure("cluttered", "structure=1 background=0.25");
  CHECK(of_background(even.mean_deg) < 0.05);
  CHECK(of_background(cluttered.mean_deg) > 2.0 * of_background(even.mean_deg));
  CHECK(cluttered.mean_deg.u < 0.6);
  for (const auto angle : {&vision::HalfAngle::left_deg, &vision::HalfAngle::right_deg})
    CHECK(std::abs((cluttered.*angle).value - (even.*angle).value) < 2.5 * (cluttered.*angle).u);
}
