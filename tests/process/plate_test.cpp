// A plate on the stand against its elements on record, and kinds of elements that give no cone. Stand and
// elements are invented; the truth is what the logs were made with.
#include <cmath>

#include <catch2/catch.hpp>
#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include "program.h"
#include "result_flags.h"

using conebook::tests::Folder;
using conebook::tests::HasFlag;
using conebook::tests::Outcome;
using nlohmann::json;

namespace {

// Flow of `area_mm2` at 2, 5 and 9 bar: area * sqrt(2 * 998.2 kg/m3 * drop), water at 20 C.
std::string LogOf(double area_mm2) {
  const double levels[] = {0.0, 2.0, 5.0, 9.0, 0.0};
  std::string text = "time_s,pressure_bar,flow_kg_s\n";
  for (int i = 0; i < 750; ++i) {
    const double bar = levels[i / 150];
    const double wobble = 1.0 + 0.0006 * std::sin(1.3 * i) + 0.0004 * std::cos(7.7 * i);
    text += fmt::format("{:.2f},{:.5f},{:.8f}\n", 0.01 * i, bar * (1.0 + 0.0004 * std::sin(2.9 * i)),
                        area_mm2 * 1e-6 * std::sqrt(2.0 * 998.2065 * 1e5 * bar) * wobble);
  }
  return text;
}

constexpr const char* kStand =
    "[nozzle]\nexit_diameter_mm = 2.0\n[stand]\nliquid = \"water\"\ntemperature_c = 20.0\nrated_bar = 16.0\n";
constexpr double kAreas[] = {0.78, 0.80, 0.79, 0.83};  // add up to 3.20

std::string Sheet(double plate_mm2, const Folder& folder) {
  folder.Write("rig.toml", std::string("[element]\nid = \"none\"\n") + kStand);
  std::string sheet = "[day]\nname = \"plate\"\nrig = \"rig.toml\"\ndate = \"2031-05-04\"\n";
  // First on the sheet: it must wait for its elements all the same.
  folder.Write("plate.csv", LogOf(plate_mm2));
  sheet +=
      "[[clip]]\nlog = \"plate.csv\"\nelement = \"P1\"\nrig = {element = {kind = \"plate\"}, plate = "
      "{elements = "
      "[\"A01\", \"A02\", \"A03\", \"A04\"]}}\n";
  for (int k = 0; k < 4; ++k) {
    folder.Write(fmt::format("a{}.csv", k + 1), LogOf(kAreas[k]));
    sheet += fmt::format("[[clip]]\nlog = \"a{0}.csv\"\nelement = \"A0{0}\"\n", k + 1);
  }
  folder.Write("DAY.toml", sheet);
  return sheet;
}

}  // namespace

TEST_CASE("a day's plate is held against the elements of the same day", "[process][plate]") {
  const Folder folder("plate");
  Sheet(3.20, folder);
  const Outcome outcome =
      folder.Run("measure --sheet DAY.toml --json out --archive book.db --report day.html --threads 2");
  INFO(outcome.out << outcome.err);
  REQUIRE(outcome.exit == 0);
  const json plate = json::parse(folder.Read("out/P1.json"));
  REQUIRE(plate["plate"]["elements"].size() == 4);
  CHECK(plate["plate"]["elements"][3]["element"] == "A04");
  // 2e-4: water is denser under pressure.
  CHECK(plate["plate"]["sum_mm2"]["value"].get<double>() == Approx(3.20).epsilon(5e-4));
  const json& off = plate["plate"]["difference_percent"];
  CHECK(std::abs(off["value"].get<double>()) < 0.05);
  // The meter's assumed 1 % and the sensor's 0.5 % cancel.
  CHECK(off["u"].get<double>() < 0.1);
  CHECK(plate["plate"]["sum_mm2"]["u"].get<double>() / 3.20 > 0.01);
  CHECK_FALSE(HasFlag(plate, "plate_misfit"));
  // Cd on all four exits.
  CHECK(plate["flow_law"]["cd"]["value"].get<double>() == Approx(3.20 / (4.0 * 3.14159265)).epsilon(1e-3));
  CHECK(plate["points"][0]["theory"].empty());
  REQUIRE(folder.Run("report --archive book.db --element P1 --report p1.html").exit == 0);
  CHECK(folder.Read("p1.html").find("Plate and elements") != std::string::npos);
  const Outcome verify = folder.Run("verify --archive book.db --remeasure");
  INFO(verify.out << verify.err);
  CHECK(verify.exit == 0);
  // Other files of the day know nothing of plates.
  CHECK_FALSE(json::parse(folder.Read("out/A01.json")).contains("plate"));
}

TEST_CASE("a plate with a blocked passage is flagged, with where to look", "[process][plate]") {
  const Folder folder("blocked");
  Sheet(3.20 - 0.06, folder);
  REQUIRE(folder.Run("measure --sheet DAY.toml --json out --archive book.db").exit == 0);
  const json plate = json::parse(folder.Read("out/P1.json"));
  CHECK(plate["plate"]["difference_percent"]["value"].get<double>() == Approx(-1.875).margin(0.05));
  REQUIRE(HasFlag(plate, "plate_misfit"));
  CHECK(folder.Read("out/P1.json").find("manifold losses or blockage") != std::string::npos);
  // Without the archive there is nothing to hold it against.
  folder.Write("p.toml", std::string("[element]\nid = \"P1\"\nkind = \"plate\"\n") + kStand +
                             "[plate]\nelements = [\"A01\", \"A09\"]\n");
  REQUIRE(folder.Run("measure --log plate.csv --rig p.toml --json alone.json").exit == 0);
  CHECK(HasFlag(json::parse(folder.Read("alone.json")), "plate_needs_archive"));
  REQUIRE(folder.Run("measure --log plate.csv --rig p.toml --json known.json --archive book.db").exit == 0);
  const json known = json::parse(folder.Read("known.json"));
  CHECK(HasFlag(known, "plate_element_unknown"));
  CHECK(known["plate"]["sum_mm2"].is_null());
  folder.Write("bad.toml", conebook::tests::kRig + "[plate]\nelements = [\"A01\"]\n");
  const Outcome bad = folder.Run("measure --log plate.csv --rig bad.toml");
  CHECK(bad.exit == 2);
  CHECK(bad.ErrorLines() == 1);
}

TEST_CASE("a plain orifice's jet is no fault: its flow is measured all the same", "[process][plate]") {
  const Folder folder("jet");
  conebook::tests::DrawnSpray jet;
  jet.half_angle_deg = 0.2;
  jet.breakup_px = 200.0;
  conebook::tests::DrawFrames(folder / "clip", jet);
  folder.Write("log.csv", LogOf(2.5));
  const std::string camera = "[camera]\nfps = 30.0\n[scale]\npx_per_mm = 8.0\n";
  const std::string nozzle =
      "[nozzle]\nexit_px = [160.0, 30.0]\nexit_diameter_mm = 2.0\n[stand]\ntemperature_c = 20.0\nrated_bar = "
      "16.0\n";
  folder.Write("swirl.toml", "[element]\nid = \"J1\"\n" + camera + nozzle);
  const Outcome swirl = folder.Run("measure clip --rig swirl.toml --log log.csv --json swirl.json");
  INFO(swirl.out << swirl.err);
  CHECK(swirl.exit == 3);
  folder.Write("plain.toml",
               "[element]\nid = \"J1\"\nkind = \"plain_orifice\"\nexit_length_mm = 4.0\n" + camera + nozzle);
  const Outcome plain = folder.Run("measure clip --rig plain.toml --log log.csv --json plain.json");
  INFO(plain.out << plain.err);
  REQUIRE(plain.exit == 0);
  const json result = json::parse(folder.Read("plain.json"));
  REQUIRE(result["points"].size() == 3);
  CHECK(result["points"][1]["flow_area_mm2"]["value"].get<double>() == Approx(2.5).epsilon(1e-3));
  CHECK(result["points"][1]["half_angle_deg"].is_null());
  CHECK(HasFlag(result, "not_measured"));
  // No swirl theory: the sharp-edged hole alone.
  REQUIRE(result["points"][1]["theory"].size() == 1);
  CHECK(result["points"][1]["theory"][0]["quantity"] == "cd");
}
