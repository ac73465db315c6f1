// How a spray is spread, its waves and what collectors caught, by the program: result file, page, archive,
// and sprays put side by side.
#include <cstdlib>
#include <string>

#include <catch2/catch.hpp>
#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include "program.h"

using Catch::Contains;
using conebook::tests::Folder;
using conebook::tests::Outcome;
using nlohmann::json;

namespace {

// A small rendered clip in linear light, with its log.
void Render(const Folder& folder, const std::string& name, const std::string& more) {
  const std::string command =
      std::string(CONEBOOK_RENDER) + " --seed 5 --fast --out '" + (folder / name).string() +
      "' --set light=backlit film=clear camera=phone clean=1 prespray=1 width=480 height=360 fps=30 "
      "rotation=0 "
      "px_per_mm=8.2 exit_x_px=241 exit_y_px=46 axis_deg=0 tilt_deg=0 distance_mm=420 exit_diameter_mm=1.2 "
      "r0_mm=0.56 half_angle_deg=22 breakup_mm=14 ligament_reach=0.2 breakup_in_view=1 haze=0 shake_px=0 "
      "pulsation_deg=0 window_drops=0 flicker=0 exposure_drift=0 pressures_bar=4 hold_1_s=1.2 frames=46 "
      "drops_per_mm=400 d32_um=110 codec=frames16 container=png " +
      more + " > /dev/null 2>&1";
  REQUIRE(std::system(command.c_str()) == 0);
}

const std::string kTable = "sector,mass_g,time_s\n0,30,60\n1,45,60\n2,30,60\n3,15,60\n";

}  // namespace

TEST_CASE("evenness and a collector table come into result file, page and archive alike",
          "[process][spread]") {
  const Folder folder("spread");
  Render(folder, "one", "drop_uneven=0.3");
  folder.Write("one/pattern.csv", kTable);
  folder.Write("one/rig2.toml", folder.Read("one/rig.toml") +
                                    "\n[collector]\ntable = \"pattern.csv\"\nfirst_sector_deg = 45.0\n");
  const Outcome measured = folder.Run(
      "measure one/clip --rig one/rig2.toml --log one/log.csv --json one.json --report one.html --archive "
      "book.db");
  INFO(measured.out << measured.err);
  REQUIRE(measured.exit == 0);
  const json result = json::parse(folder.Read("one.json"));
  const json& evenness = result["points"][0]["evenness"];
  REQUIRE(evenness.is_object());
  CHECK(evenness["of"] == "extinction");
  // 2 / pi of the drops' harmonic.
  CHECK(evenness["balance"]["value"].get<double>() ==
        Approx(0.19).margin(3.0 * evenness["balance"]["u"].get<double>()));
  REQUIRE(evenness["profile"].is_object());
  CHECK(evenness["profile"]["peak_angle_deg"]["value"].get<double>() == Approx(22.0).margin(1.5));
  const json& collected = result["collected"];
  CHECK(collected["of"] == "mass");
  CHECK(collected["sectors"][1]["share"]["value"].get<double>() == Approx(0.375));
  CHECK(collected["imbalance"]["direction_deg"]["value"].get<double>() == Approx(135.0));
  // 2 g/s caught of some 20 that flowed.
  bool told = false;
  for (const json& flag : result["flags"]) told = told || flag["code"] == "collectors_miss_flow";
  CHECK(told);
  const std::string page = folder.Read("one.html");
  CHECK_THAT(page, Contains("How the spray is spread") && Contains("extinction, not mass") &&
                       Contains("Mass, by collectors") && Contains("Waves and swings"));

  // The archive holds the table: the same page again, and the same numbers when measured anew.
  const std::string said = "put on record: ";
  const std::size_t at = measured.out.find(said);
  REQUIRE(at != std::string::npos);
  const std::string key = measured.out.substr(at + said.size(), 12);
  REQUIRE(folder.Run("report --archive book.db --record " + key + " --report again.html").exit == 0);
  CHECK(folder.Read("again.html").find("Mass, by collectors") != std::string::npos);
  const Outcome verify = folder.Run("verify --archive book.db --remeasure --footage one");
  INFO(verify.out << verify.err);
  CHECK(verify.exit == 0);

  // Side by side: a second element, and one that is not on record. (No picture's base64 holds a hyphen.)
  Render(folder, "two", "half_angle_deg=30 breakup_mm=14");
  std::string other = folder.Read("two/rig.toml");
  other.replace(other.find("id = \""), other.find('\n', other.find("id = \"")) - other.find("id = \""),
                "id = \"Z-99\"");
  folder.Write("two/rig.toml", other);
  REQUIRE(
      folder.Run("measure two/clip --rig two/rig.toml --log two/log.csv --archive book.db --quiet").exit ==
      0);
  const std::string element = result["element"];
  const std::string ask = "report --archive book.db --at-bar 4 --report side.html --side-by-side " + element;
  REQUIRE(folder.Run(ask + ",Z-99").exit == 0);
  CHECK_THAT(folder.Read("side.html"), Contains("Element Z-99"));
  REQUIRE(folder.Run(ask + ",Z-99 --hide-order").exit == 0);
  const std::string hidden = folder.Read("side.html");
  const std::size_t key_at = hidden.find("<summary>Key");
  REQUIRE(key_at != std::string::npos);
  CHECK(hidden.find("Z-99") > key_at);  // nothing before it tells
  CHECK(hidden.find("Spray 2") < key_at);
  const Outcome missing = folder.Run(ask + ",Q1");
  CHECK(missing.exit == 2);
  CHECK_THAT(missing.err, Contains("Q1") && Contains("conebook list"));
  const Outcome far_off =
      folder.Run("report --archive book.db --at-bar 9 --report side.html --side-by-side Z-99," + element);
  CHECK(far_off.exit == 2);
  CHECK_THAT(far_off.err, Contains("no picture near 9 bar") && Contains("--at-bar"));
}

TEST_CASE("collector keys without a table, and a bad table, are refused before anything is read",
          "[process][spread]") {
  const Folder folder("collector-bad");
  folder.Write("log.csv", conebook::tests::LogText());
  folder.Write("rig.toml", conebook::tests::kRig + "[collector]\nu_mass_g = 0.2\n");
  Outcome outcome = folder.Run("measure --log log.csv --rig rig.toml");
  CHECK(outcome.exit == 2);
  CHECK_THAT(outcome.err, Contains("[collector] u_mass_g is given without table"));
  folder.Write("pattern.csv", "sector,mass_g,time_s\n0,5,60\n1,x,60\n");
  folder.Write("rig.toml", conebook::tests::kRig + "[collector]\ntable = \"pattern.csv\"\n");
  outcome = folder.Run("measure --log log.csv --rig rig.toml");
  CHECK(outcome.exit == 2);
  CHECK(outcome.ErrorLines() <= 6);
  CHECK_THAT(outcome.err, Contains("pattern.csv") && Contains("line 3"));
}
