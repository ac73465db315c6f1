// Why a number is missing: the flag must name the cause, and a remark about another number is none.
#include "src/stand_flags.h"

#include <algorithm>
#include <string>

#include <catch2/catch.hpp>

using namespace conebook;
using Catch::Matchers::Contains;

namespace {

const calib::Flag* ReasonFor(const src::Run& run, const std::string& quantity, const std::string& code) {
  const auto at = std::find_if(run.flags.begin(), run.flags.end(), [&](const calib::Flag& flag) {
    return flag.quantity == quantity && flag.code == code;
  });
  return at == run.flags.end() ? nullptr : &*at;
}

void Raise(src::Run& run, const char* code, calib::Severity severity, std::optional<int> point,
           const char* quantity) {
  run.flags.push_back({code, severity, point, std::string(quantity), "said elsewhere", "done elsewhere"});
}

src::Run WithLog(std::size_t points) {
  src::Run run;
  run.log = src::InputFile{"log.csv", "0"};
  run.points.resize(points);
  return run;
}

calib::Quantity Some(double value) {
  return calib::Combine(value, {{"made up", 0.01 * value, calib::Shared::kRig}});
}

}  // namespace

TEST_CASE("a clip that could not be tied to the log says so for pressure, flow, area and Cd",
          "[src][stand_flags]") {
  src::Run run = WithLog(1);
  run.footage = src::InputFile{"clip.mp4", "0"};
  Raise(run, "sync_unknown", calib::Severity::kWarn, std::nullopt, "sync");
  Raise(run, "meter_lags", calib::Severity::kInfo, std::nullopt, "flow_kg_s");
  Raise(run, "reference_area", calib::Severity::kInfo, std::nullopt, "cd");
  Raise(run, "pressure_unit_assumed", calib::Severity::kWarn, std::nullopt, "pressure_bar");
  src::ExplainWhatIsMissing(src::Rig{}, run);
  for (const char* quantity : {"pressure_bar", "flow_kg_s", "flow_area_mm2", "cd"}) {
    INFO(quantity);
    const calib::Flag* reason = ReasonFor(run, quantity, "not_in_log");
    REQUIRE(reason);
    CHECK_THAT(reason->message, Contains("could not be tied to the log"));
    CHECK_THAT(reason->advice, Contains("log_minus_video_s"));
    CHECK_FALSE(ReasonFor(run, quantity, "no_flow_reading"));
  }
}

TEST_CASE("a meter that stands still is why area and Cd are missing; a missing meter is another reason",
          "[src][stand_flags]") {
  src::Run run = WithLog(2);
  run.points[0].pressure_bar = Some(3.0);
  run.points[1].pressure_bar = Some(5.0);
  run.points[1].flow_kg_s = Some(0.01);
  run.points[1].flow_area_mm2 = Some(0.3);
  run.points[1].cd = src::Cd{Some(0.4), "exit", Some(1.0)};
  SECTION("it stands still at the first pressure") {
    Raise(run, "no_flow", calib::Severity::kWarn, 0, "flow_kg_s");
    src::ExplainWhatIsMissing(src::Rig{}, run);
    CHECK(ReasonFor(run, "flow_area_mm2", "no_flow"));
    CHECK(ReasonFor(run, "cd", "no_flow"));
    CHECK_FALSE(ReasonFor(run, "cd", "no_flow_reading"));
  }
  SECTION("nothing was read there") {
    src::ExplainWhatIsMissing(src::Rig{}, run);
    for (const char* quantity : {"flow_kg_s", "flow_area_mm2", "cd"}) {
      const calib::Flag* reason = ReasonFor(run, quantity, "no_flow_reading");
      REQUIRE(reason);
      CHECK(reason->point == 0);
      CHECK_FALSE(reason->advice.empty());
    }
  }
}

TEST_CASE("every missing number has a reason, and pulsation is said not to have been looked for",
          "[src][stand_flags]") {
  src::Run run;
  run.points.resize(1);
  run.footage = src::InputFile{"clip.mp4", "0"};
  Raise(run, "edges_unsteady", calib::Severity::kWarn, 0, "half_angle_deg");
  src::ExplainWhatIsMissing(src::Rig{}, run);
  for (const char* quantity :
       {"pressure_bar", "flow_kg_s", "flow_area_mm2", "cd", "half_angle_deg", "breakup_mm",
        "apparent_half_angle_deg", "sheet_half_angle_deg", "cone_half_angle_deg", "pulsation", "d32_um"}) {
    INFO(quantity);
    CHECK(std::any_of(run.flags.begin(), run.flags.end(), [&](const calib::Flag& flag) {
      return flag.quantity == quantity && flag.code != "edges_unsteady";
    }));
  }
  REQUIRE(ReasonFor(run, "pulsation", "no_pulsation"));
  CHECK_THAT(ReasonFor(run, "pulsation", "no_pulsation")->message, Contains("not looked for"));
}
