// Swings of the half angle and the grain of the spray, on small rendered clips with known swing and drops.
#include <cmath>
#include <string>

#include <catch2/catch.hpp>

#include <vision/spray_measurement.h>

#include "small_clip.h"

using namespace conebook;
using namespace conebook::tests;

namespace {

vision::SprayMeasurement Measure(const std::string& clip) {
  const vision::ClipReading reading = vision::ReadClip(clip, ViewOfClip(), {});
  for (const calib::Flag& flag : reading.flags) UNSCOPED_INFO(flag.code << ": " << flag.message);
  REQUIRE_FALSE(reading.Rejected());
  vision::SprayMeasurement m = vision::MeasureSpray(reading, ViewOfClip(), {});
  for (const calib::Flag& flag : m.flags) UNSCOPED_INFO(flag.code << ": " << flag.message);
  REQUIRE(m.points.size() == 1);
  return m;
}

}  // namespace

TEST_CASE("a half angle that swings says at what rate and by how much", "[vision][pulsation]") {
  const vision::SprayMeasurement m =
      Measure(Clip("swings", "pulsation_deg=0.8 pulsation_hz=4.3 hold_1_s=3 frames=100").string());
  REQUIRE(m.points[0].pulsation);
  // Within one bin of the record's three seconds.
  CHECK(m.points[0].pulsation->hz == Approx(4.3).margin(0.34));
  CHECK(std::abs(m.points[0].pulsation->amplitude_deg - 0.8) < 3.0 * m.points[0].pulsation->u_deg + 0.1);
  REQUIRE(Find(m.flags, "pulsation_found"));
  CHECK(Find(m.flags, "pulsation_found")->message.find("would look the same") != std::string::npos);
  CHECK(Find(m.flags, "pulsation_found")->message.find("taken out of the half angle") != std::string::npos);
}

TEST_CASE("a half angle that does not swing says what would have been found", "[vision][pulsation]") {
  // Noise alone passes for a swing in one clip of a hundred: of four, two would be too many.
  int found = 0;
  for (const int angle : {28, 31, 34, 37}) {
    const std::string name = "steady-" + std::to_string(angle);
    const vision::SprayMeasurement m =
        Measure(Clip(name, "hold_1_s=3 frames=100 half_angle_deg=" + std::to_string(angle)).string());
    found += m.points[0].pulsation ? 1 : 0;
    REQUIRE(m.points[0].steadiness);
    CHECK(m.points[0].steadiness->detectable_deg > 0.0);
    CHECK(m.points[0].steadiness->detectable_deg < 1.0);
    CHECK(m.points[0].steadiness->fastest_hz == Approx(15.0).epsilon(0.02));
    if (!m.points[0].pulsation) CHECK(Find(m.flags, "no_pulsation"));
  }
  CHECK(found < 2);
}

TEST_CASE("coarser drops give a larger grain index, whatever their number and their travel while exposed",
          "[vision][grain]") {
  const std::string common = "breakup_mm=11 ligament_reach=0.2 frames=46 ";
  const auto grain = [&](const std::string& name, const std::string& more) {
    const vision::SprayMeasurement m = Measure(Clip(name, common + more).string());
    REQUIRE(m.points[0].grain);
    CHECK(m.points[0].grain->u > 0.0);
    return *m.points[0].grain;
  };
  const vision::Grain fine = grain("fine", "d32_um=110 drops_per_mm=200 exposure_s=0.0001");
  const vision::Grain fine_long = grain("fine-long", "d32_um=110 drops_per_mm=400 exposure_s=0.0004");
  const vision::Grain coarse = grain("coarse", "d32_um=250 drops_per_mm=80 exposure_s=0.0004");
  CHECK(coarse.index - fine.index > 2.0 * std::hypot(coarse.u, fine.u));
  CHECK(coarse.index - fine_long.index > 2.0 * std::hypot(coarse.u, fine_long.u));
  // Number and travel change the picture, not the index: a quarter, where the drops differ by more than
  // twice.
  CHECK(fine_long.index == Approx(fine.index).epsilon(0.25));
}

TEST_CASE("without room below the end of the sheet there is no grain index, and a reason",
          "[vision][grain]") {
  const vision::SprayMeasurement m = Measure(Clip("low", "breakup_mm=26").string());
  CHECK_FALSE(m.points[0].grain);
  REQUIRE(Find(m.flags, "grain_not_read"));
  CHECK_FALSE(Find(m.flags, "grain_not_read")->message.empty());
}
