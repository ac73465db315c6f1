// What a container says of time, and what editors do to it.
#include <string>

#include <catch2/catch.hpp>

#include <vision/clip_reading.h>
#include <vision/spray_measurement.h>

#include "small_clip.h"

using namespace conebook;
using namespace conebook::tests;

namespace {

vision::ClipReading Read(const std::string& name, const std::string& more, std::optional<double> fps = {}) {
  vision::View view = ViewOfClip();
  view.fps = fps;
  vision::ClipReading reading = vision::ReadClip(Clip(name, more).string(), view, {});
  REQUIRE_FALSE(reading.Rejected());
  return reading;
}

}  // namespace

TEST_CASE("a speed ramp is seen in the stamps, and time is then not known", "[vision][clock]") {
  const vision::ClipReading ramp = Read("ramp", "ramp=4");
  REQUIRE(Find(ramp.flags, "pace_changes"));
  CHECK_FALSE(ramp.facts.pace_known);
  // Counted by frames at the stated rate: 40 of them.
  const vision::ClipReading counted = Read("ramp", "ramp=4", 30.0);
  CHECK(counted.facts.pace_known);
  CHECK(counted.facts.duration_s == Approx(40.0 / 30.0).margin(0.001));
}

TEST_CASE("dropped frames and jitter are no speed ramp", "[vision][clock]") {
  const vision::ClipReading jitter = Read("jitter", "variable_rate=1");
  CHECK(jitter.facts.pace_known);
  CHECK_FALSE(Find(jitter.flags, "pace_changes"));
  CHECK_FALSE(Find(jitter.flags, "frames_repeated"));
  CHECK_FALSE(Find(jitter.flags, "rate_doubtful"));
}

TEST_CASE("repeated frames are found and not counted", "[vision][clock]") {
  const vision::ClipReading repeats = Read("repeats", "repeat_every=4");
  REQUIRE(Find(repeats.flags, "frames_repeated"));
  CHECK(Find(repeats.flags, "frames_repeated")->severity == calib::Severity::kWarn);
  // A few in a clip are no cause to doubt it.
  const vision::ClipReading few = Read("few-repeats", "repeat_every=13");
  REQUIRE(Find(few.flags, "frames_repeated"));
  CHECK(Find(few.flags, "frames_repeated")->severity == calib::Severity::kInfo);
  // Frames 3, 7, 11 ... 39 are the ones before; those without a cone show no change anyhow.
  const std::vector<char>& repeated = repeats.kept->repeated;
  REQUIRE(repeated.size() == 40);
  for (std::size_t k = 20; k < 40; ++k) {
    INFO(k);
    CHECK(bool(repeated[k]) == (k % 4 == 3));
  }
  CHECK(repeats.facts.pace_known);  // every fourth, evenly: times are right on average
}

// Between two frames of a sheet that stands nearly still next to nothing moves, and no editor made them.
TEST_CASE("a sheet that hardly moves is no repeated frame", "[vision][clock]") {
  const std::string still = "film=grey breakup_in_view=0 quality=8 wave_growth=3 ";
  // After the moment in which it opened.
  CHECK_FALSE(
      Find(Read("still", still + "half_angle_deg=57 breakup_mm=60 wave_mm=0.2").flags, "frames_repeated"));
  // With tears that come into the picture now and then.
  CHECK_FALSE(Find(Read("tears", still + "half_angle_deg=50 breakup_mm=50 wave_mm=0.08 breakup_scatter=0.16 "
                                         "frames=60 hold_1_s=1.8")
                       .flags,
                   "frames_repeated"));
}
