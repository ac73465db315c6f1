// `conebook size` as a process: from tables on record to a prediction, a plate and a page, and what is
// refused.
#include <cmath>
#include <random>

#include <catch2/catch.hpp>
#include <fmt/core.h>
#include <nlohmann/json.hpp>

#include "program.h"

using namespace conebook::tests;
using Catch::Contains;
using Json = nlohmann::json;

namespace {

constexpr double kPi = 3.14159265358979323846;

// Nature in this test: 1.1 times Rizk and Lefebvre's Cd = 0.35 sqrt(K) (D/d)^0.25.
double TrueFlowKgS(double exit_mm, int inlets, double inlet_mm, double chamber_mm, double bar) {
  const double k = inlets * kPi / 4.0 * inlet_mm * inlet_mm / (exit_mm * chamber_mm);
  const double cd = 1.1 * 0.35 * std::sqrt(k) * std::pow(chamber_mm / exit_mm, 0.25);
  return cd * kPi / 4.0 * exit_mm * exit_mm * 1e-6 * std::sqrt(2.0 * 998.2 * bar * 1e5);
}

// Twelve elements of six batches, invented, their flow at three pressures, elements alike to 1 %.
void WriteBook(const Folder& folder) {
  std::string elements =
      "element,batch,kind,measured_by,exit_diameter_mm,inlet_count,inlet_diameter_mm,chamber_diameter_mm,"
      "exit_length_mm\n";
  std::string results = "element,batch,date,liquid,temperature_c,pressure_bar,flow_kg_s\n";
  std::mt19937 random(4);
  std::normal_distribution<double> normal;
  const double exits[6] = {1.2, 1.4, 1.6, 1.8, 2.0, 1.5}, inlets[6] = {0.5, 0.7, 0.6, 0.8, 0.9, 0.8},
               chambers[6] = {4.0, 5.0, 6.0, 6.0, 5.5, 4.5};
  for (int b = 0; b < 6; ++b) {
    for (int e = 0; e < 2; ++e) {
      const std::string id = fmt::format("S{}{}", b, e);
      elements += fmt::format("{},b{},swirl,pin_gauge,{},3,{},{},{}\n", id, b, exits[b], inlets[b],
                              chambers[b], exits[b]);
      const double own = std::exp(0.01 * normal(random));
      for (const double bar : {2.0, 5.0, 9.0})
        results += fmt::format("{},b{},2031-05-04,water,20,{},{:.6f}\n", id, b, bar,
                               own * TrueFlowKgS(exits[b], 3, inlets[b], chambers[b], bar));
    }
  }
  folder.Write("elements.csv", elements + "Z1,b9,swirl,pin_gauge,1.6,,,,\n");
  folder.Write("results.csv", results + "Z1,b9,2031-05-04,water,20,5,0.01\n");
  REQUIRE(folder.Run("import elements.csv --archive book.db").exit == 0);
  REQUIRE(folder.Run("import results.csv --archive book.db").exit == 0);
}

const std::string kTarget = R"([target]
total_flow_kg_s = 0.30
pressure_drop_bar = 6.0
cone_half_angle_deg = [25.0, 60.0]
[liquid]
name = "water"
[chamber]
pressure_bar = 20.0
gas_density_kg_m3 = 12.0
[plate]
diameter_mm = 90.0
wall_clearance_mm = 9.0
least_pitch_mm = 9.0
[drills]
exit_mm = [1.4, 1.6, 1.8]
inlet_mm = [0.6, 0.7, 0.8]
inlet_count = [3]
chamber_mm = [5.0, 6.0]
exit_length_diameters = 1.0
)";

std::string With(const std::string& from, const std::string& to) {
  std::string text = kTarget;
  const auto at = text.find(from);
  REQUIRE(at != std::string::npos);
  return text.replace(at, from.size(), to);
}

}  // namespace

TEST_CASE("an element is foretold from imported results, and extrapolation is said", "[process][size]") {
  const Folder folder("size_element");
  WriteBook(folder);
  const std::string inside =
      "size --archive book.db --exit-mm 1.6 --inlets 3 --inlet-mm 0.7 --chamber-mm 5.4 --exit-length-mm 1.6 "
      "--pressure-bar 6";
  const Outcome outcome = folder.Run(inside + " --json - --report page.html");
  CAPTURE(outcome.err);
  REQUIRE(outcome.exit == 0);
  const Json json = Json::parse(outcome.out);
  CHECK(json["schema"] == "conebook.size/1");
  CHECK(json["laws"]["cd"]["elements"] == 12);
  const Json& flow = json["prediction"]["flow_kg_s"];
  const double truth = TrueFlowKgS(1.6, 3, 0.7, 5.4, 6.0);
  CHECK(flow["lo95"].get<double>() < truth);
  CHECK(flow["hi95"].get<double>() > truth);
  CHECK(flow["u"].get<double>() <
        0.05 * truth);  // elements alike to 1 %, theory off by 10 %: the record speaks
  CHECK(json["prediction"]["flow_reach"]["inside"] == true);
  // No cone half angle on record: theory, and it is said.
  CHECK(json["prediction"]["angle_reach"]["elements"] == 0);
  CHECK_THAT(json["warnings"].dump(), Contains("Theory alone for the cone half angle"));
  CHECK(json["record"]["unused"][0]["element"] == "Z1");
  CHECK_THAT(json["record"]["unused"][0]["reason"].get<std::string>(), Contains("inlet_diameter_mm"));
  CHECK(json["cautions"].size() == 3);
  const std::string page = folder.Read("page.html");
  CHECK_THAT(page, Contains("each left out in turn") && Contains("says nothing about breakup"));

  const Outcome outside = folder.Run(
      "size --archive book.db --exit-mm 1.6 --inlets 3 --inlet-mm 1.62 --chamber-mm 5.4 --pressure-bar 6");
  CHECK(outside.exit == 0);
  CHECK_THAT(outside.out,
             Contains("warning: The flow extrapolates by 1.8 in inlet diameter: 1.62 mm, on record 0.5 to "
                      "0.9 mm"));
  CHECK_THAT(outside.out, Contains("caution: "));
  // Same input, same bytes.
  CHECK(folder.Run(inside + " --json - --threads 1").out == folder.Run(inside + " --json - --threads 3").out);
}

TEST_CASE("a plate is sized: candidates, layout, next element, page", "[process][size]") {
  const Folder folder("size_plate");
  WriteBook(folder);
  folder.Write("plate.toml", kTarget);
  const Outcome outcome =
      folder.Run("size --archive book.db --target plate.toml --json out.json --report page.html");
  CAPTURE(outcome.err, outcome.out);
  REQUIRE(outcome.exit == 0);
  CHECK_THAT(outcome.out, Contains("test next") && Contains("theory ratio, not a prediction"));
  const Json json = Json::parse(folder.Read("out.json"));
  REQUIRE_FALSE(json["candidates"].empty());
  double last = 2.0;
  for (const Json& one : json["candidates"]) {
    const int n = one["elements"];
    CHECK(one["layout"]["places"].size() == static_cast<std::size_t>(n));
    for (const Json& place : one["layout"]["places"])
      CHECK(std::hypot(place["x_mm"].get<double>(), place["y_mm"].get<double>()) <= 36.0 + 1e-6);
    if (n > 1) CHECK(one["layout"]["least_pitch_mm"].get<double>() >= 9.0);
    const Json& geometry = one["one"]["geometry"];
    const double truth = n * TrueFlowKgS(geometry["exit_diameter_mm"], 3, geometry["inlet_diameter_mm"],
                                         geometry["chamber_diameter_mm"], 6.0);
    CHECK(one["total_flow_kg_s"]["lo95"].get<double>() < truth);
    CHECK(one["total_flow_kg_s"]["hi95"].get<double>() > truth);
    // Ranked by the score over the factor by which the flow extrapolates (no angle is on record).
    const Json& reach = one["one"]["flow_reach"];
    double factor = 1.0 + reach["outside_hull"].get<double>();
    for (const Json& out : reach["extrapolations"]) factor = std::max(factor, out["factor"].get<double>());
    const double ranked_by = one["score"].get<double>() / factor;
    CHECK(ranked_by <= last * (1.0 + 1e-9));
    last = ranked_by;
    CHECK(one["drilling"]["agree"] == true);
  }
  const double best = json["candidates"][0]["total_flow_kg_s"]["value"];
  CHECK(best == Approx(0.30).epsilon(0.05));
  CHECK(json["plate_holds"]["hexagonal"].get<int>() >= 37);  // usable radius over pitch is 4
  CHECK(json["plate_holds"]["hexagonal"] == 61);  // squared radius 16: 61 lattice points about a point
  CHECK(json["next_element"]["tangent_half_width_after"].get<double>() <
        json["next_element"]["tangent_half_width_now"].get<double>());
  int left = 0;
  for (const Json& one : json["left_out"]) left += one["count"].get<int>();
  CHECK(json["combinations"] == 18);
  CHECK(left + static_cast<int>(json["candidates"].size()) <= 18);
  CHECK_THAT(folder.Read("page.html"), Contains("Cones from the side") && Contains("Make and test next"));
}

TEST_CASE("what a target gets wrong is said with its line and the nearest key", "[process][size]") {
  const Folder folder("size_target");
  WriteBook(folder);
  const auto refused = [&](const std::string& target) {
    folder.Write("t.toml", target);
    const Outcome outcome = folder.Run("size --archive book.db --target t.toml --json out.json");
    CHECK(outcome.exit == 2);
    CHECK(outcome.ErrorLines() <= 6);
    CHECK_FALSE(folder.Has("out.json"));
    return outcome.err;
  };
  CHECK_THAT(refused(With("least_pitch_mm", "least_pich_mm")),
             Contains("t.toml, line 13") && Contains("did you mean least_pitch_mm?"));
  CHECK_THAT(refused(With("[plate]", "[plates]")), Contains("line 10") && Contains("did you mean plate?"));
  CHECK_THAT(refused(With("= 6.0", "= -6.0")), Contains("line 3") && Contains("above 0"));
  CHECK_THAT(refused(With("[25.0, 60.0]", "[60.0, 25.0]")), Contains("line 4") && Contains("rising"));
  CHECK_THAT(refused(With("inlet_count = [3]", "inlet_count = [2.5]")), Contains("whole numbers"));
  CHECK_THAT(refused(With("inlet_mm = [0.6, 0.7, 0.8]", "inlet_mm = 0.6")), Contains("a list"));
  CHECK_THAT(refused(With("wall_clearance_mm = 9.0", "wall_clearance_mm = 60.0")), Contains("no room"));
  CHECK_THAT(refused(With("exit_length_diameters = 1.0\n", "")), Contains("exit_length_mm"));
  CHECK_THAT(refused(With("name = \"water\"", "name = \"wine\"")),
             Contains("line 6") && Contains("density_kg_m3"));
  CHECK_THAT(refused(With("name = \"water\"",
                          "density_kg_m3 = 800.0\nviscosity_pa_s = 1e-3\nvapour_pressure_pa = "
                          "1.9e6\ncritical_temperature_c = 200.0")),
             Contains("flashing"));
  CHECK_THAT(refused(With("name = \"water\"",
                          "density_kg_m3 = 800.0\nviscosity_pa_s = 1e-3\nvapour_pressure_pa = "
                          "1e5\ncritical_temperature_c = 40.0")),
             Contains("near-critical"));
  folder.Write("t.toml", kTarget);
  CHECK(folder.Run("size --archive book.db --target t.toml --exit-mm 1.6").exit == 2);
  CHECK_THAT(folder.Run("size --archive book.db --exit-mm 1.6").err, Contains("--inlets is missing"));
  CHECK(folder.Run("size --archive none.db --target t.toml").exit == 4);
  // A plate that nothing at hand can make: said why, no number, exit 0.
  folder.Write("t.toml", With("total_flow_kg_s = 0.30", "total_flow_kg_s = 300.0"));
  const Outcome none = folder.Run("size --archive book.db --target t.toml --json -");
  CHECK(none.exit == 0);
  CHECK(Json::parse(none.out)["verdict"] == "nothing_fits");
  CHECK(Json::parse(none.out)["left_out"][0]["count"].get<int>() > 0);
}

TEST_CASE("an archive without elements gives theory and says so", "[process][size]") {
  const Folder folder("size_empty");
  folder.Write("elements.csv", "element,batch\nQ1,b\n");
  REQUIRE(folder.Run("import elements.csv --archive book.db").exit == 0);
  const Outcome outcome = folder.Run(
      "size --archive book.db --exit-mm 1.6 --inlets 3 --inlet-mm 0.7 --chamber-mm 5 --pressure-bar 6 "
      "--liquid ethanol");
  CHECK(outcome.exit == 0);
  CHECK_THAT(outcome.out, Contains("warning: Theory alone for the flow"));
  folder.Write("plate.toml", kTarget);
  const Outcome plate = folder.Run("size --archive book.db --target plate.toml --report page.html --json -");
  CHECK(plate.exit == 0);
  CHECK(Json::parse(plate.out)["verdict"] == "theory_alone");
  CHECK_THAT(folder.Read("page.html"), Contains("Theory alone"));
}
