// conebook match as the program does it, on result files drawn here; and the sample plate.
#include <optional>
#include <set>

#include <catch2/catch.hpp>
#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include "program.h"

namespace {

using namespace conebook::tests;
using Catch::Contains;
using nlohmann::json;

struct Drawn {
  std::string element, batch = "b";
  double area_mm2 = 0.8, u_own = 0.001, u_meter = 0.002;
  std::optional<double> angle_deg = 35.0;
  std::optional<double> rotation_deg;
  double lean_deg = 0.0;
  std::optional<double> ring_mm2;  // of a second circuit; area_mm2 is then the first's
  std::string date = "2031-05-06";
};

json Quantity(double value, double own, double meter, const char* shared = "meter") {
  const double u = std::hypot(own, meter);
  return {{"value", value},
          {"u", u},
          {"lo95", value - 1.96 * u},
          {"hi95", value + 1.96 * u},
          {"budget",
           {{{"source", "scatter"}, {"u", own}, {"shared", "frames"}},
            {{"source", "calibration"}, {"u", meter}, {"shared", shared}}}}};
}

// A result file of a flow run at 4 and 8 bar, in the contract's words.
std::string ResultOf(const Drawn& drawn) {
  json points = json::array();
  for (const double bar : {4.0, 8.0}) {
    const double flow = drawn.area_mm2 * 1e-6 * std::sqrt(2.0 * 998.2 * bar * 1e5);
    json point{{"t0_s", nullptr},
               {"t1_s", nullptr},
               {"frames", 0},
               {"log_t0_s", bar},
               {"log_t1_s", bar + 2},
               {"pressure_bar", Quantity(bar, 0.001, 0.01)},
               {"flow_kg_s", Quantity(flow, 1e-6, 1e-5)},
               {"cd", nullptr},
               {"half_angle_deg", nullptr},
               {"breakup_mm", nullptr},
               {"d32_um", nullptr},
               {"pulsation", nullptr}};
    point["flow_area_mm2"] =
        drawn.ring_mm2 ? json(nullptr) : Quantity(drawn.area_mm2, drawn.u_own, drawn.u_meter);
    point["apparent_half_angle_deg"] = point["sheet_half_angle_deg"] = nullptr;
    point["cone_half_angle_deg"] =
        drawn.angle_deg ? Quantity(*drawn.angle_deg, 0.05, 0.1, "rig") : json(nullptr);
    if (drawn.rotation_deg) {
      const json angle = Quantity(35.0, 0.02, 0.1, "rig");
      point["half_angle_deg"] = {{"mean", angle},
                                 {"left", angle},
                                 {"right", angle},
                                 {"lean", Quantity(drawn.lean_deg, 0.02, 0.0, "rig")}};
    }
    if (drawn.ring_mm2) {
      point["circuits"] = json::array();
      for (const auto& [name, area] : {std::pair{"core", drawn.area_mm2}, std::pair{"ring", *drawn.ring_mm2}})
        point["circuits"].push_back({{"name", name},
                                     {"flowing", true},
                                     {"pressure_bar", Quantity(bar, 0.001, 0.01)},
                                     {"flow_kg_s", Quantity(flow, 1e-6, 1e-5)},
                                     {"flow_area_mm2", Quantity(area, drawn.u_own, drawn.u_meter)},
                                     {"cd", nullptr},
                                     {"temperature_c", nullptr}});
    }
    points.push_back(point);
  }
  json rig{{"element", {{"id", drawn.element}}}, {"meter", {{"k_factor_per_l", 20000.0}}}};
  if (drawn.rotation_deg) rig["view"] = {{"rotation_deg", *drawn.rotation_deg}};
  json result{
      {"schema", "conebook.run/1"},
      {"verdict", "ok"},
      {"program", {{"version", "0.1.0"}, {"build", "test"}}},
      {"flags", json::array()},
      {"element", drawn.element},
      {"batch", drawn.batch},
      {"kind", "swirl"},
      {"date", drawn.date},
      {"inputs", {{"rig_sha256", std::string(64, '0')}, {"log", nullptr}, {"calibrations", json::array()}}},
      {"settings", {{"rig", rig}, {"steady", json::object()}}},
      {"footage", nullptr},
      {"scale", {{"px_per_mm", nullptr}}},
      {"stations_mm", nullptr},
      {"lean_against", "rig_axis"},
      {"sync", nullptr},
      {"flow_law", nullptr},
      {"points", points}};
  if (!drawn.ring_mm2)
    result["flow_law"] = {{"flow_area_mm2", Quantity(drawn.area_mm2, drawn.u_own, drawn.u_meter)},
                          {"cd", nullptr},
                          {"exponent", nullptr}};
  return result.dump();
}

void Import(const Folder& folder, const std::vector<Drawn>& stock) {
  std::string names;
  for (const Drawn& drawn : stock) {
    const std::string file =
        fmt::format("{}_{}.json", drawn.element, drawn.rotation_deg ? *drawn.rotation_deg : -1.0);
    names += " " + folder.Write(file, ResultOf(drawn));
  }
  const Outcome outcome = folder.Run("import" + names + " --archive book.db --quiet");
  INFO(outcome.err);
  REQUIRE(outcome.exit == 0);
}

std::vector<Drawn> Stock(int count, double spread = 0.004) {
  std::vector<Drawn> stock;
  for (int i = 0; i < count; ++i) {
    Drawn& drawn = stock.emplace_back();
    drawn.element = fmt::format("A{:02}", i + 1);
    drawn.area_mm2 = 0.8 * (1.0 + spread * std::sin(2.3 * i));
    drawn.angle_deg = 35.0 + 0.5 * std::sin(1.7 * i + 1.0);
  }
  return stock;
}

const std::string kPlate =
    "[plate]\nid = \"P1\"\npressure_drop_bar = 6.0\nrings = [{ count = 4, radius_mm = 20.0 }]\n";
const std::string kLimits =
    "[limits]\nflow_area_mm2 = { target = 0.80, tolerance = 0.02 }\n"
    "cone_half_angle_deg = { target = 35.0, tolerance = 2.0 }\n";

}  // namespace

TEST_CASE("the sample plate: twelve of thirty, told in words, JSON, map and page", "[process][match]") {
  const Folder folder("match_sample");
  const std::string source = CONEBOOK_SOURCE_DIR;
  REQUIRE(folder.Shell("python3 '" + source + "/tools/render/make_plate_sample.py' .").exit == 0);
  REQUIRE(folder.Shell(std::string(CONEBOOK_BINARY) + " import *.json stock.csv --archive book.db --quiet")
              .exit == 0);
  const std::string match = "match --archive book.db --plate '" + source + "/sample_frames/plate/P2.toml' ";
  const Outcome outcome = folder.Run(match + "--json p2.json --svg p2.svg --report p2.html");
  INFO(outcome.out << outcome.err);
  REQUIRE(outcome.exit == 0);
  CHECK(outcome.err.empty());
  CHECK_THAT(outcome.out, Contains("of 30"));
  const json result = json::parse(folder.Read("p2.json"));
  CHECK(result["schema"] == "conebook.match/1");
  CHECK(result["verdict"] == "matched");
  CHECK(result["stock"].size() == 30);  // two are fitted or scrapped
  REQUIRE(result["elements"].size() == 12);
  std::set<std::string> names;
  for (const json& name : result["elements"]) names.insert(name);
  CHECK(names.size() == 12);
  CHECK(names.count("S19") == 0);  // 5 % too wide
  CHECK(names.count("R24") == 0);  // never filmed
  for (const json& line : result["stock"]) {
    if (line["element"] == "S19") CHECK(line["decision"] == "reject");
    if (line["element"] == "R24") CHECK(line["decision"] == "undecided");
  }
  CHECK(result["score"]["bound"].get<double>() <= result["score"]["value"].get<double>());
  CHECK(result["score"]["gap_percent"].get<double>() < 5.0);
  CHECK(result["score"]["expected"].get<double>() > result["score"]["value"].get<double>());
  CHECK(result["sorted_by_flow"]["match_is_better"] == true);
  CHECK(result["spares"].size() == 4);
  // 12 elements of 0.8 mm2: the meter's 0.3 % is one error, not twelve.
  for (const json& row : result["predicted"]) {
    const json& area = row["flow_area_mm2"][0];
    CHECK(area["value"].get<double>() == Approx(9.55).epsilon(0.01));
    CHECK(area["u"].get<double>() / area["value"].get<double>() == Approx(0.003).epsilon(0.05));
  }
  const std::string map = folder.Read("p2.svg");
  for (const std::string& name : names) CHECK_THAT(map, Contains(">" + name + "<"));
  CHECK_THAT(folder.Read("p2.html"), Contains("licensed practice"));
  // The same bytes for any number of threads.
  REQUIRE(
      folder.Run(match + "--json again.json --svg again.svg --report again.html --threads 1 --quiet").exit ==
      0);
  for (const char* ending : {".json", ".svg", ".html"})
    CHECK(folder.Read(std::string("again") + ending) == folder.Read(std::string("p2") + ending));
}

TEST_CASE("plates that cannot be made are answered plainly", "[process][match]") {
  const Folder folder("match_infeasible");
  folder.Write("plate.toml", kPlate + kLimits);
  const std::string match = "match --archive book.db --plate plate.toml --json out.json";
  SECTION("too few") {
    Import(folder, Stock(3));
    const Outcome outcome = folder.Run(match);
    CHECK(outcome.exit == 3);
    CHECK_THAT(outcome.out, Contains("4 positions, but 3 elements may stand there: 1 missing"));
    CHECK_THAT(outcome.out, Contains("the stock has 3 elements in all"));
    CHECK(json::parse(folder.Read("out.json"))["verdict"] == "infeasible");
  }
  SECTION("all rejected") {
    std::vector<Drawn> stock = Stock(5);
    for (Drawn& drawn : stock) drawn.area_mm2 = 0.9;
    Import(folder, stock);
    const Outcome outcome = folder.Run(match + " --report p.html --svg p.svg");
    CHECK(outcome.exit == 3);
    CHECK_THAT(outcome.out, Contains("all 5 elements are rejected"));
    CHECK_THAT(folder.Read("p.html"), Contains("No plate can be made"));
    CHECK_FALSE(folder.Has("p.svg"));
  }
  SECTION("one undecided, which could fill the plate") {
    std::vector<Drawn> stock = Stock(4);
    stock[2].area_mm2 = 0.8175;  // 0.0025 inside; u 0.0022: within two u of the limit
    Import(folder, stock);
    const Outcome outcome = folder.Run(match);
    CHECK(outcome.exit == 3);
    CHECK_THAT(outcome.out, Contains("1 is undecided: A03") && Contains("accepted once u is 0.0013 or less"));
    CHECK_THAT(outcome.out, Contains("--use-undecided"));
    const Outcome taken = folder.Run(match + " --use-undecided");
    CHECK(taken.exit == 0);
    CHECK_THAT(taken.out, Contains("No spare is left") && Contains("undecided"));
  }
  SECTION("no reading at that pressure") {
    Import(folder, Stock(5));
    const Outcome outcome = folder.Run(match + " --at-bar 12");
    CHECK(outcome.exit == 3);
    CHECK_THAT(outcome.out, Contains("no flow area at 12 bar: its points reach 4 to 8 bar"));
  }
}

TEST_CASE("elements that read alike are ties, and spares of one rank", "[process][match]") {
  const Folder folder("match_ties");
  std::vector<Drawn> stock = Stock(6);
  for (Drawn& drawn : stock) drawn.area_mm2 = 0.8;
  for (Drawn& drawn : stock) drawn.angle_deg = 35.0;
  Import(folder, stock);
  folder.Write("plate.toml", kPlate + kLimits);
  const Outcome outcome = folder.Run("match --archive book.db --plate plate.toml --json out.json");
  REQUIRE(outcome.exit == 0);
  const json result = json::parse(folder.Read("out.json"));
  CHECK(result["score"]["exact"] == true);
  CHECK(result["ties"]["choices"] == 8);  // each of four for each of the two left
  CHECK(result["sorted_by_flow"]["match_is_better"] == false);
  CHECK_THAT(outcome.out, Contains("which cannot be told from it"));
  for (const json& spare : result["spares"]) CHECK(spare["rank"] == 1);
}

TEST_CASE("two circuits: the ratio's spread counts, and comes from the records", "[process][match]") {
  const Folder folder("match_circuits");
  std::vector<Drawn> stock = Stock(6, 0.0);
  for (std::size_t i = 0; i < stock.size(); ++i) {
    stock[i].angle_deg = std::nullopt;
    stock[i].ring_mm2 = i < 2 ? 1.70 : 1.60;
  }
  Import(folder, stock);
  folder.Write(
      "plate.toml",
      "[plate]\nid = \"P3\"\npressure_drop_bar = 6.0\ncircuits = [\"core\", \"ring\"]\nrings = [{ count = 4, "
      "radius_mm = 20.0 }]\n[limits]\nflow_area_mm2 = [{ target = 0.8, tolerance = 0.1 }, { target = 1.6, "
      "tolerance = 0.2 }]\n");
  const Outcome outcome = folder.Run("match --archive book.db --plate plate.toml --json out.json");
  INFO(outcome.out << outcome.err);
  REQUIRE(outcome.exit == 0);
  const json result = json::parse(folder.Read("out.json"));
  std::set<std::string> names;
  for (const json& name : result["elements"]) names.insert(name);
  CHECK(names == std::set<std::string>{"A03", "A04", "A05", "A06"});
  CHECK(result["score"]["measures"]["ratio_spread_percent"].get<double>() < 1e-6);
  CHECK(result["score"]["measures"]["angle_spread_deg"].is_null());
  CHECK_THAT(outcome.out, Contains("angle spread is left out: 0 of 6 elements"));
  CHECK(result["predicted"][0]["flow_kg_s"].size() == 2);
  CHECK(result["predicted"][0]["flow_area_mm2"][1]["value"].get<double>() == Approx(6.4));
}

TEST_CASE("lean counts where three views and clocking are on record, not else", "[process][match]") {
  const Folder folder("match_lean");
  // Four elements that lean by 0.6 deg towards their marks, a holder that adds 0.1: three views each
  // (calib/element_lean.h: lean = holder - size sin(rotation + direction)).
  std::vector<Drawn> stock;
  for (const Drawn& one : Stock(4, 0.0)) {
    for (const double rotation : {0.0, 120.0, 240.0}) {
      Drawn& view = stock.emplace_back(one);
      view.rotation_deg = rotation;
      view.lean_deg = 0.1 - 0.6 * std::sin(rotation * 3.14159265358979 / 180.0);
    }
  }
  Import(folder, stock);
  folder.Write("plate.toml", kPlate);
  const Outcome unclocked = folder.Run("match --archive book.db --plate plate.toml --json u.json");
  INFO(unclocked.out << unclocked.err);
  REQUIRE(unclocked.exit == 0);
  CHECK(json::parse(folder.Read("u.json"))["score"]["measures"]["mean_lean_deg"].is_null());
  CHECK_THAT(unclocked.out, Contains("does not say where the elements' datum marks face"));
  folder.Write("clocked.toml",
               "[plate]\nid = \"P1\"\npressure_drop_bar = 6.0\nrings = [{ count = 4, radius_mm = 20.0, "
               "mark_deg = 30.0 }]\n");
  REQUIRE(folder.Run("match --archive book.db --plate clocked.toml --json c.json").exit == 0);
  const json clocked = json::parse(folder.Read("c.json"));
  CHECK(clocked["score"]["measures"]["mean_lean_deg"].get<double>() == Approx(0.6).margin(0.01));
  CHECK(clocked["positions"][0]["lean_azimuth_deg"].get<double>() == Approx(30.0).margin(0.5));
  // Marks all outward: the leans cancel.
  folder.Write("outward.toml",
               "[plate]\nid = \"P1\"\npressure_drop_bar = 6.0\nrings = [{ count = 4, radius_mm = 20.0, mark "
               "= \"outward\" }]\n");
  REQUIRE(folder.Run("match --archive book.db --plate outward.toml --json o.json").exit == 0);
  CHECK(json::parse(folder.Read("o.json"))["score"]["measures"]["mean_lean_deg"].get<double>() < 0.01);
}

TEST_CASE("the assembled plate's own run is held against the elements that the match placed",
          "[process][match]") {
  const Folder folder("match_assembled");
  Import(folder, Stock(6));
  folder.Write("plate.toml", kPlate + kLimits);
  REQUIRE(folder.Run("match --archive book.db --plate plate.toml --json p1.json").exit == 0);
  const json match = json::parse(folder.Read("p1.json"));
  double sum = 0.0;
  for (const json& row : match["predicted"])
    if (row["pressure_drop_bar"] == 6.0) sum = row["flow_area_mm2"][0]["value"].get<double>();
  REQUIRE(sum == Approx(3.2).epsilon(0.01));
  std::ostringstream log;
  log << "time_s,pressure_bar,flow_kg_s\n";
  for (int i = 0; i < 700; ++i) {
    const double t = 0.01 * i, bar = t < 1.0 ? 0.0 : t < 2.6 ? 4.0 : t < 4.2 ? 6.0 : t < 5.8 ? 8.0 : 0.0;
    log << t << "," << bar + 0.001 * std::sin(0.7 * i) << ","
        << 0.97 * sum * 1e-6 * std::sqrt(2.0 * 998.2 * bar * 1e5) << "\n";
  }
  folder.Write("log.csv", log.str());
  const std::string rig =
      "[element]\nid = \"P1\"\nkind = \"plate\"\n[nozzle]\nexit_diameter_mm = 2.0\n[stand]\ntemperature_c = "
      "20.0\nrated_bar = 16.0\n[plate]\n";
  folder.Write("rig.toml", rig + "match = \"p1.json\"\n");
  const Outcome outcome =
      folder.Run("measure --log log.csv --rig rig.toml --json run.json --archive book.db");
  INFO(outcome.out << outcome.err);
  REQUIRE(outcome.exit == 0);
  const json run = json::parse(folder.Read("run.json"));
  REQUIRE(run["plate"]["elements"].size() == 4);
  for (std::size_t i = 0; i < 4; ++i) CHECK(run["plate"]["elements"][i]["element"] == match["elements"][i]);
  CHECK(run["plate"]["sum_mm2"]["value"].get<double>() == Approx(sum).epsilon(1e-3));
  CHECK(run["plate"]["difference_percent"]["value"].get<double>() == Approx(-3.0).margin(0.1));
  CHECK(run["inputs"]["calibrations"].size() == 1);
  // The match is kept with the run, which can be measured again without the file.
  fs::remove(folder / "p1.json");
  const Outcome verify = folder.Run("verify --archive book.db --remeasure --element P1");
  INFO(verify.out << verify.err);
  CHECK(verify.exit == 0);
  folder.Write("both.toml", rig + "match = \"p1.json\"\nelements = [\"A01\"]\n");
  CHECK(folder.Run("measure --log log.csv --rig both.toml").exit == 2);
  folder.Write("p1.json", "{\"schema\": \"conebook.run/1\"}");
  const Outcome wrong = folder.Run("measure --log log.csv --rig rig.toml");
  CHECK(wrong.exit == 2);
  CHECK_THAT(wrong.err, Contains("p1.json") && Contains("conebook.match/1"));
}

TEST_CASE("faults of a plate file are named with file, line and what to do", "[process][match]") {
  const Folder folder("match_faults");
  Import(folder, Stock(5));
  const auto refuse = [&](const std::string& plate, const std::string& words) {
    folder.Write("bad.toml", plate);
    const Outcome outcome = folder.Run("match --archive book.db --plate bad.toml");
    INFO(plate << "\n" << outcome.out << outcome.err);
    CHECK(outcome.exit == 2);
    CHECK(outcome.ErrorLines() <= 6);
    CHECK_THAT(outcome.err, Contains(words));
  };
  refuse("[plate]\nid = \"P1\"\n", "state rings or positions");
  refuse(kPlate + "radius = 3\n", "unknown key radius in [plate]");
  refuse("[plate]\nid = \"P1\"\nrings = [{ cuont = 4, radius_mm = 2.0 }]\n", "did you mean count?");
  refuse("[plate]\nid = \"P1\"\nrings = [{ count = 4.5, radius_mm = 2.0 }]\n", "expected a whole number");
  refuse(kPlate + "[limits]\nflow_area_mm2 = { tolerance = 0.02 }\n", "a tolerance needs a target");
  refuse(kPlate + "[limits]\nflow_area_mm2 = { lower = 0.9, upper = 0.7 }\n", "must be below upper");
  refuse(kPlate + "[limits]\nflow_area_mm2 = { target = 1.0, upper = 0.7 }\n", "lies outside its limits");
  refuse(kPlate + "[wall_limits]\nflow_area_mm2 = { target = 1.0 }\n", "no ring or position has wall = true");
  refuse(kPlate + "[weights]\nflow = -1.0\n", "expected a number not below 0");
  refuse(kPlate + "[limits]\ncircuit_ratio = { target = 0.5, tolerance = 0.1 }\n", "needs [plate] circuits");
  refuse("[plate]\nid = \"P1\"\nrings = [{ count = 4, radius_mm = 2.0 }]\n", "at which pressure drop?");
  refuse(
      "[plate]\nid = \"P1\"\npositions = [{ name = \"a\", radius_mm = 2.0, angle_deg = 0.0 }, { name = "
      "\"a\", "
      "radius_mm = 2.0, angle_deg = 90.0 }]\n",
      "two positions have the name");
  CHECK(folder.Run("match --archive none.db --plate bad.toml").exit == 2);  // the plate file is read first
  folder.Write("plate.toml", kPlate);
  CHECK(folder.Run("match --archive none.db --plate plate.toml").exit == 4);
  CHECK(folder.Run("match --archive book.db --plate plate.toml --at-bar 0").exit == 2);
  const Outcome help = folder.Run("match --help");
  CHECK(help.exit == 0);
  CHECK_THAT(help.out, Contains("Examples:") && Contains("licensed practice"));
}
