// `conebook plan` as a program, and that every command about the camera explains itself.
#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include "program.h"

using namespace conebook::tests;
using Catch::Matchers::Contains;
using nlohmann::json;

namespace {

const std::string kCamera =
    "plan --pressure-bar 5 --half-angle-deg 35 --exit-mm 1.6 --width-px 1920 --height-px 1080 --focal-mm 35 "
    "--pixel-um 5.5 --distance-mm 400 --f-number 8";

}  // namespace

TEST_CASE("a plan is JSON for programs and words for people, the same numbers in both", "[process][plan]") {
  const Folder folder("plan");
  const Outcome words = folder.Run(kCamera + " --fps 60 --exposure-us 10");
  INFO(words.out << words.err);
  REQUIRE(words.exit == 0);
  CHECK_THAT(words.out, Contains("17.43 px/mm") && Contains("31.7 m/s"));
  const Outcome data = folder.Run(kCamera + " --fps 60 --exposure-us 10 --json");
  REQUIRE(data.exit == 0);
  const json plan = json::parse(data.out);
  CHECK(plan["schema"] == "conebook.plan/1");
  // f / (s - f) over the pixel: 35 / 365 / 5.5 um.
  CHECK(plan["px_per_mm"].get<double>() == Approx(35.0 / 365.0 / 0.0055));
  CHECK(plan["smear_px"].get<double>() == Approx(10.0 / plan["longest_exposure_us"].get<double>()));
  CHECK(plan["half_angle_deg"]["budget"].size() >= 5);
  CHECK(json::parse(folder.Run(kCamera + " --json").out)["smear_px"].is_null());

  CHECK(folder.Run("plan").exit == 2);
  const Outcome wide = folder.Run(kCamera + " --far-mm 400");
  CHECK(wide.exit == 2);
  CHECK_THAT(wide.err, Contains("out of view"));
  CHECK(wide.ErrorLines() <= 6);
}

TEST_CASE("calibrate and plan explain themselves, with examples", "[process][usage]") {
  const Folder folder("camera_help");
  for (const char* command :
       {"calibrate", "calibrate lens", "calibrate scale", "calibrate target", "calibrate cone", "plan"}) {
    const Outcome help = folder.Run(std::string(command) + " --help");
    INFO(command << "\n" << help.out);
    CHECK(help.exit == 0);
    CHECK_THAT(help.out, Contains("Examples:") && Contains(std::string("conebook ") + command));
  }
  const Outcome bare = folder.Run("calibrate");
  CHECK(bare.exit == 2);
  CHECK_THAT(bare.err, Contains("cone, ") || Contains(", cone"));
  CHECK_THAT(folder.Run("calibrate lens --colums 9").err, Contains("did you mean --columns"));
}
