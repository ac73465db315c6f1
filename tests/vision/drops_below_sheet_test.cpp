// Drop sizes below the sheet's end in small rendered clips of the whole cone. Truth: the renderer draws
// diameters from a log-normal distribution; D32 of its part above the cut-off in closed form.
#include <cmath>
#include <string>

#include <catch2/catch.hpp>

#include <vision/drops_below_sheet.h>
#include <vision/spray_measurement.h>

#include "small_clip.h"

using namespace conebook;
using namespace conebook::tests;

namespace {

constexpr double kPxPerMm = 27.0;

vision::SprayMeasurement Measure(const std::string& name, const std::string& more) {
  const std::string clip =
      Clip(name,
           "width=600 height=500 px_per_mm=27 exit_x_px=300 exit_y_px=45 exit_diameter_mm=1.0 r0_mm=0.45 "
           "half_angle_deg=30 breakup_mm=6 ligament_reach=0.3 exposure_s=0.000001 drop_spread=0.35 " +
               more)
          .string();
  vision::View view = ViewOfClip();
  view.px_per_mm = Known(kPxPerMm, 0.05);
  view.exit_x_px = Known(300.0, 0.3);
  view.exit_y_px = Known(45.0, 0.3);
  view.exit_diameter_mm = Known(1.0, 0.01);
  const vision::ClipReading reading = vision::ReadClip(clip, view, {});
  for (const calib::Flag& flag : reading.flags) UNSCOPED_INFO(flag.code << ": " << flag.message);
  REQUIRE_FALSE(reading.Rejected());
  vision::SprayMeasurement m = vision::MeasureSpray(reading, view, {});
  for (const calib::Flag& flag : m.flags) UNSCOPED_INFO(flag.code << ": " << flag.message);
  REQUIRE(m.points.size() == 1);
  return m;
}

// Of a log-normal distribution of D32 `d32` and sd of ln(d) `s`, the part above a cut-off: the moments of
// order k of the whole are exp(k m + k^2 s^2 / 2), and of the part above c times Phi((m + k s^2 - ln c) / s).
double D32Above(double cutoff, double d32, double s) {
  const double m = std::log(d32) - 2.5 * s * s;
  const auto moment = [&](double k) {
    return std::exp(k * m + 0.5 * k * k * s * s) * 0.5 *
           std::erfc(-(m + k * s * s - std::log(cutoff)) / (s * std::sqrt(2.0)));
  };
  return moment(3.0) / moment(2.0);
}

double D32Of(const vision::DropSizing& sizing) {
  double cubes = 0.0, squares = 0.0;
  for (const vision::SizedDrop& drop : sizing.drops) {
    cubes += drop.weight * std::pow(drop.diameter_px, 3);
    squares += drop.weight * std::pow(drop.diameter_px, 2);
  }
  return cubes / squares;
}

}  // namespace

TEST_CASE("where the whole cone is filmed close enough, drops below the sheet's end are sized",
          "[vision][drops][below]") {
  const vision::SprayMeasurement m = Measure("drops-below", "d32_um=400 drops_per_mm=10");
  REQUIRE(m.points[0].half_angle);
  REQUIRE(m.points[0].drops);
  const vision::DropSizing& sizing = *m.points[0].drops;
  CHECK(sizing.verdict == vision::DropVerdict::kResolved);
  CHECK(sizing.cutoff_px == Approx(5.0).margin(0.5));
  REQUIRE(sizing.drops.size() > 1000);
  // Some hundred drops of this spread know D32 to 0.6 / root n (Poisson, moments of the log-normal): 2 to 3
  // %.
  const double truth = D32Above(sizing.cutoff_px, 0.4 * kPxPerMm, 0.35);
  CHECK(D32Of(sizing) == Approx(truth).epsilon(0.05));
  // All of the width, from one and a half breakup lengths down.
  CHECK(sizing.width_px == 600);
  CHECK(sizing.height_px ==
        Approx(500.0 - 45.0 - 1.5 * m.points[0].breakup_mm->value * kPxPerMm).margin(4.0));
}

TEST_CASE("a cone clip says why there is no drop size, and how large a drop would have to be",
          "[vision][drops][below]") {
  const auto reason = [](const vision::SprayMeasurement& m) {
    CHECK_FALSE(m.points[0].drops);
    const calib::Flag* flag = Find(m.flags, "drops_below_sheet_not_sized");
    REQUIRE(flag);
    CHECK(flag->severity == calib::Severity::kInfo);
    CHECK(flag->quantity == std::optional<std::string>("d32_um"));
    return flag->message;
  };
  SECTION("too fine") {
    // Five pixels, or a little more: 185 um at this scale.
    const std::string why = reason(Measure("drops-below-fine", "d32_um=70 drops_per_mm=60"));
    CHECK(why.find("the smallest drop that could be sized there has 5.") != std::string::npos);
    CHECK(why.find("um") != std::string::npos);
  }
  SECTION("too many behind each other") {
    const std::string why = reason(Measure("drops-below-many", "d32_um=400 drops_per_mm=50"));
    CHECK(why.find("several drops behind each other") != std::string::npos);
  }
  SECTION("drawn out by two thirds of their size while exposed, the smallest until they are not round") {
    const std::string why =
        reason(Measure("drops-below-smeared", "d32_um=400 drops_per_mm=10 exposure_s=0.000012"));
    CHECK(why.find("drawn out") != std::string::npos);
  }
}
