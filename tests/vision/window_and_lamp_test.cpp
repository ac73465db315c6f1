// Drops on a window before the spray, and lamps whose light runs through the picture in bands.
#include <string>

#include <catch2/catch.hpp>

#include <vision/clip_reading.h>
#include <vision/spray_measurement.h>

#include "small_clip.h"

using namespace conebook;
using namespace conebook::tests;

namespace {

struct Measured {
  vision::ClipReading reading;
  vision::SprayMeasurement spray;
};
Measured Measure(const std::string& name, const std::string& more) {
  Measured m;
  m.reading = vision::ReadClip(Clip(name, more).string(), ViewOfClip(), {});
  REQUIRE_FALSE(m.reading.Rejected());
  m.spray = vision::MeasureSpray(m.reading, ViewOfClip(), {});
  return m;
}
const Measured& Dry() {
  static const Measured kDry = Measure("dry", "gain=1");
  return kDry;
}

}  // namespace

TEST_CASE("drops on the window do not become part of the boundary", "[vision][window]") {
  CHECK_FALSE(Find(Dry().reading.flags, "window_wet"));
  REQUIRE(Dry().spray.points[0].half_angle);
  const calib::Quantity dry = Dry().spray.points[0].half_angle->mean_deg;
  const calib::Quantity lean = Dry().spray.points[0].half_angle->lean_deg;
  REQUIRE(Dry().spray.points[0].sheet_half_angle_deg);
  const calib::Quantity sheet = *Dry().spray.points[0].sheet_half_angle_deg;
  for (const char* shake : {"shake_px=0", "shake_px=1.5"}) {
    INFO(shake);
    const Measured wet = Measure("wet", std::string("edge_drops=4 edge_drop_px=8 ") + shake);
    CHECK(Find(wet.reading.flags, "window_wet"));
    REQUIRE(wet.spray.points[0].half_angle);
    CHECK(wet.spray.points[0].half_angle->mean_deg.value == Approx(dry.value).margin(0.15));
    CHECK(wet.spray.points[0].half_angle->lean_deg.value == Approx(lean.value).margin(0.15));
    // What is fitted to the whole outline, and was two degrees off with the drops in it.
    REQUIRE(wet.spray.points[0].sheet_half_angle_deg);
    CHECK(wet.spray.points[0].sheet_half_angle_deg->value == Approx(sheet.value).margin(0.3));
  }
}

TEST_CASE("bands of a flickering lamp are taken out in back light", "[vision][window]") {
  CHECK_FALSE(Find(Dry().reading.flags, "light_bands"));
  REQUIRE(Dry().spray.points[0].half_angle);
  const Measured banded = Measure("banded", "field=0.5 flicker=0.25 flicker_hz=100 line_time_us=50");
  REQUIRE(Find(banded.reading.flags, "light_bands"));
  CHECK(Find(banded.reading.flags, "light_bands")->severity == calib::Severity::kInfo);
  REQUIRE(banded.reading.facts.spray_start_s);
  CHECK(*banded.reading.facts.spray_start_s == Approx(*Dry().reading.facts.spray_start_s).margin(0.04));
  REQUIRE(banded.spray.points[0].half_angle);
  CHECK(banded.spray.points[0].half_angle->mean_deg.value ==
        Approx(Dry().spray.points[0].half_angle->mean_deg.value).margin(0.15));
}

TEST_CASE("a stretch of few correlation times says so", "[vision][window]") {
  const Measured slow = Measure("slow", "pulsation_deg=1.2 pulsation_hz=1.2");
  CHECK(Find(slow.spray.flags, "short_record"));
  CHECK_FALSE(Find(slow.spray.flags, "short_record")->message.empty());
}

TEST_CASE("a lamp that dances in the waves of a whole sheet is not taken for drops", "[vision][breakup]") {
  vision::View view = ViewOfClip();
  view.illumination = vision::Illumination::kFrontlit;
  const vision::ClipReading reading = vision::ReadClip(
      Clip("dancing-lamp",
           "light=frontlit film=clear half_angle_deg=26 breakup_in_view=0 wave_growth=3.2 wave_mm=1.2 "
           "wave_length_mm=6 limb_depth=0.5 breakup_mm=56 glint=4")
          .string(),
      view, {});
  REQUIRE_FALSE(reading.Rejected());
  const vision::SprayMeasurement m = vision::MeasureSpray(reading, view, {vision::SteadySpray(reading)});
  CHECK_FALSE(Find(m.flags, "breakup_not_found"));
  REQUIRE(m.points[0].breakup_lower_bound_mm);
  CHECK(*m.points[0].breakup_lower_bound_mm < 56.0);
  CHECK(*m.points[0].breakup_lower_bound_mm > 20.0);
}
