// `conebook compare` as a process: results put on record, compared, and the JSON and page that come of it.
#include <cmath>

#include <catch2/catch.hpp>
#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include "program.h"

namespace {

using namespace conebook::tests;
using Catch::Contains;

std::string Quantity(double value, double own, double meter) {
  return fmt::format(
      R"({{"value": {}, "u": {}, "lo95": {}, "hi95": {}, "budget": [{{"source": "scatter", "u": {}, "shared": "frames"}},
      {{"source": "k-factor", "u": {}, "shared": "meter"}}]}})",
      value, std::hypot(own, meter), value - 2.0 * own, value + 2.0 * own, own, meter);
}

// A result file of flow alone, small but whole.
std::string Result(const std::string& element, const std::string& batch, const std::string& date, double area,
                   int serial) {
  std::string points;
  for (const double bar : {4.0, 8.0})
    points += fmt::format(
        R"({}{{"t0_s": null, "t1_s": null, "frames": 0, "log_t0_s": 1.0, "log_t1_s": 3.0, "direction": "rising",
    "temperature_c": 18.0, "pressure_bar": {{"value": {}, "u": 0.02, "lo95": 3.96, "hi95": 8.04}}, "flow_kg_s": null,
    "flow_area_mm2": {}, "cd": null, "half_angle_deg": null, "apparent_half_angle_deg": null,
    "sheet_half_angle_deg": null, "cone_half_angle_deg": null, "breakup_mm": null, "d32_um": null, "pulsation": null}})",
        points.empty() ? "" : ", ", bar, Quantity(area, 0.0004, 0.0036));
  return fmt::format(
      R"({{"schema": "conebook.run/1", "verdict": "ok", "program": {{"version": "0.1.0", "build": "test"}}, "flags": [],
  "element": "{}", "batch": "{}", "kind": "swirl", "date": "{}",
  "inputs": {{"rig_sha256": "aa", "log": null, "calibrations": []}}, "settings": {{"rig": {{"n": {}}}, "steady": {{}}}},
  "footage": null, "scale": {{"px_per_mm": null}}, "stations_mm": null, "lean_against": "rig_axis", "sync": null,
  "flow_law": null, "points": [{}]}})",
      element, batch, date, serial, points);
}

// Two routes of five elements, 3 % apart, on the same two days; one element each of a third.
void PutOnRecord(const Folder& folder) {
  std::string names;
  int serial = 0;
  std::mt19937 random(9);
  std::normal_distribution<double> normal;
  const auto add = [&](const std::string& element, const std::string& batch, double area) {
    for (const char* date : {"2031-05-04", "2031-05-05"}) {
      const double day = std::string(date) == "2031-05-04" ? 1.004 : 0.997;
      const std::string text =
          Result(element, batch, date, area * day * (1.0 + 0.001 * normal(random)), ++serial);
      names += " " + folder.Write(fmt::format("r{}.json", serial), text);
    }
  };
  for (int e = 1; e <= 5; ++e) {
    add(fmt::format("R{:02}", e), "R1", 0.360 * (1.0 + 0.003 * normal(random)));
    add(fmt::format("S{:02}", e), "R2", 0.371 * (1.0 + 0.003 * normal(random)));
  }
  add("T01", "R3", 0.365);
  add("U01", "R4", 0.365);
  REQUIRE(folder.Run("import" + names + " --archive book.db").exit == 0);
}

}  // namespace

TEST_CASE("two batches on record are compared, in words, JSON and page", "[process][compare]") {
  const Folder folder("compare");
  PutOnRecord(folder);
  const Outcome outcome = folder.Run(
      "compare R1 R2 --archive book.db --margin flow_area_mm2=10% --json out.json --report out.html");
  INFO(outcome.out << outcome.err);
  REQUIRE(outcome.exit == 0);
  CHECK(outcome.err.empty());
  CHECK_THAT(outcome.out, Contains("R2 against R1") && Contains("different") && Contains("Cold flow"));
  const auto json = nlohmann::json::parse(folder.Read("out.json"));
  CHECK(json.at("schema") == "conebook.compare/1");
  CHECK(json.at("groups").at(0).at("runs") == 10);
  const auto& flow = json.at("quantities").at(0);
  CHECK(flow.at("quantity") == "flow_area_mm2");
  CHECK(flow.at("verdict") == "different");
  CHECK(flow.at("difference").at("value").get<double>() == Approx(0.011).margin(0.004));
  CHECK(flow.at("difference").at("lo95").get<double>() < flow.at("difference").at("value").get<double>());
  CHECK(flow.at("equivalence").at("verdict") == "yes");
  CHECK(flow.at("margin").get<double>() == Approx(0.036).epsilon(0.02));
  CHECK(flow.at("members").size() == 10);
  CHECK(json.at("flow_split").at("refused").get<std::string>().find("measured bores") != std::string::npos);
  CHECK_THAT(folder.Read("out.html"), Contains("R01") && Contains("S05") && Contains("</html>"));
  CHECK(folder.Run("compare R1 R2 --archive book.db --json").out.front() == '{');
  const Outcome groups = folder.Run(
      "compare --group 'old: batch=R1' --group 'first day: batch=R2, to=2031-05-04' --archive book.db");
  INFO(groups.err);
  CHECK(groups.exit == 0);
  CHECK_THAT(groups.out, Contains("first day against old") && Contains("5 runs, 1 day"));
}

TEST_CASE("what compare cannot do is one plain line and exit status 2", "[process][compare]") {
  const Folder folder("compare_errors");
  PutOnRecord(folder);
  const auto refused = [&](const std::string& arguments, const std::string& part, int status = 2) {
    const Outcome outcome = folder.Run("compare " + arguments);
    INFO(arguments << outcome.err);
    CHECK(outcome.exit == status);
    CHECK(outcome.ErrorLines() == 1);
    CHECK_THAT(outcome.err, Contains(part));
  };
  refused("R1 R9 --archive book.db", "no batch or element of that name");
  refused("R1 --archive book.db", "expected two groups, found 1");
  refused("R1 R2 --at-bar 20 --archive book.db", "4.00 to 8.00 bar");
  refused("R1 R2 --margin flow_aera_mm2=1 --archive book.db", "did you mean flow_area_mm2?");
  refused("R1 'new: bacth=R2' --archive book.db", "did you mean batch?");
  refused("R1 R1 --archive book.db", "is in both");
  refused("R1 R2 --archive missing.db", "does not exist", 4);
  CHECK_FALSE(folder.Has("missing.db"));
  refused("R3 R4 --archive book.db", "one element each");
}
