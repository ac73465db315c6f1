// Reynolds, Weber and cavitation numbers, direction, hysteresis and nominal pressures from the log to result
// file, page and table. Stand and logs are invented.
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

// Up to 9 bar and down again; falling, the element passes `more` times the flow.
std::string UpAndDown(double more) {
  const double levels[] = {0.0, 2.0, 5.0, 9.0, 5.0, 2.0, 0.0};
  std::string text = "time_s,pressure_bar,flow_kg_s\n";
  for (int i = 0; i < 1050; ++i) {
    const int step = i / 150;
    const double wobble = 1.0 + 0.0005 * std::sin(1.3 * i);
    const double flow = 0.011097 * std::sqrt(levels[step]) * (step > 3 ? more : 1.0);
    text += fmt::format("{:.2f},{:.5f},{:.7f}\n", 0.01 * i, levels[step] * wobble, flow);
  }
  return text;
}

constexpr const char* kRigText =
    "[element]\nid = \"A07\"\ninlet_count = 4\ninlet_diameter_mm = 1.0\n[nozzle]\nexit_diameter_mm = 2.0\n"
    "[stand]\nliquid = \"water\"\ntemperature_c = 20.0\nrated_bar = 16.0\n"
    "[points]\nnominal_bar = [2.0, 5.0, 9.0, 12.0]\n";

}  // namespace

TEST_CASE("numbers of the flow, direction and hysteresis come out of a log", "[process][flow_numbers]") {
  const Folder folder("flow_numbers");
  folder.Write("log.csv", UpAndDown(1.02));
  folder.Write("rig.toml", kRigText);
  const Outcome outcome = folder.Run(
      "measure --log log.csv --rig rig.toml --json out.json --report out.html --archive book.db --date "
      "2031-05-04");
  INFO(outcome.out << outcome.err);
  REQUIRE(outcome.exit == 0);
  const json result = json::parse(folder.Read("out.json"));
  REQUIRE(result["points"].size() == 5);
  const char* const ways[] = {"rising", "rising", "rising", "falling", "falling"};
  for (std::size_t k = 0; k < 5; ++k) {
    CHECK(result["points"][k]["direction"] == ways[k]);
    CHECK(result["points"][k]["nominal_bar"].is_number());
  }
  // 4 * 0.0248142 kg/s / (pi * 2 mm * 1001.57 uPa s), water by IAPWS SR6-08 at 20 C, by hand.
  const json& at_5 = result["points"][1];
  CHECK(at_5["reynolds_exit"]["value"].get<double>() == Approx(15772.5).epsilon(2e-3));
  CHECK(at_5["reynolds_inlets"]["value"].get<double>() == Approx(7886.3).epsilon(2e-3));
  CHECK(at_5["weber"]["value"].get<double>() == Approx(1718.4).epsilon(4e-3));
  CHECK(at_5["cavitation_number"]["value"].get<double>() == Approx(1.19797).epsilon(1e-3));
  CHECK(at_5["cavitation_number"]["u"].get<double>() > 0.0);
  CHECK(result["flow_hysteresis"]["pairs"] == 2);
  CHECK(result["flow_hysteresis"]["flow_area_percent"]["value"].get<double>() == Approx(2.0).margin(0.1));
  CHECK(HasFlag(result, "flow_hysteresis"));
  CHECK(HasFlag(result, "nominal_not_measured"));
  CHECK_FALSE(HasFlag(result, "point_not_nominal"));

  const std::string page = folder.Read("out.html");
  for (const char* words : {"Reynolds number, exit", "Weber number", "Cavitation number",
                            "falling less rising", "Pressure was reached", "Nominal pressure drop"}) {
    INFO(words);
    CHECK(page.find(words) != std::string::npos);
  }
  REQUIRE(folder.Run("export --archive book.db --bundle out").exit == 0);
  const std::string points = folder.Read("out/points.csv");
  const std::string header = points.substr(0, points.find('\n'));
  for (const char* column :
       {",direction,", ",nominal_bar,", ",reynolds_exit,", ",u_weber,", ",cavitation_number,"})
    CHECK(header.find(column) != std::string::npos);
  CHECK(points.find(",falling,") != std::string::npos);
  CHECK(folder.Read("out/dictionary.csv").find("cavitation_number,1,") != std::string::npos);
  // The page made from the record is the page made from the run.
  REQUIRE(folder.Run("verify --archive book.db --remeasure").exit == 0);
}

TEST_CASE("without hysteresis there is no warning of it", "[process][flow_numbers]") {
  const Folder folder("no_hysteresis");
  folder.Write("log.csv", UpAndDown(1.0));
  folder.Write("rig.toml", kRigText);
  REQUIRE(folder.Run("measure --log log.csv --rig rig.toml --json out.json").exit == 0);
  const json result = json::parse(folder.Read("out.json"));
  CHECK(std::abs(result["flow_hysteresis"]["flow_area_percent"]["value"].get<double>()) < 0.1);
  CHECK_FALSE(HasFlag(result, "flow_hysteresis"));
}

TEST_CASE("nominal pressures that are no list of numbers are refused in one line",
          "[process][flow_numbers]") {
  const Folder folder("bad_nominal");
  folder.Write("log.csv", UpAndDown(1.0));
  for (const char* written : {"nominal_bar = 5.0", "nominal_bar = []", "nominal_bar = [2.0, -1.0]",
                              "nominal_bar = [\"2\"]", "tolerance_bar = 0.2"}) {
    folder.Write("rig.toml", conebook::tests::kRig + "[points]\n" + written + "\n");
    const Outcome outcome = folder.Run("measure --log log.csv --rig rig.toml");
    INFO(written << ": " << outcome.err);
    CHECK(outcome.exit == 2);
    CHECK(outcome.ErrorLines() == 1);
    CHECK(outcome.err.find("rig.toml, line") != std::string::npos);
  }
}
