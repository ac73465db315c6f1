// Two groups on record held against each other: what is told, what is refused, and what is said when nothing
// can be. Studies are made up, with known truth; the statistics themselves are tested in tests/calib.
#include "src/compare.h"

#include <cmath>
#include <filesystem>
#include <functional>
#include <map>
#include <random>

#include <catch2/catch.hpp>
#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include <calib/error.h>

#include "scratch_folder.h"
#include "src/archive/archive.h"
#include "src/report/compare_page.h"

namespace {

using namespace conebook::src;
using Catch::Contains;
using Json = nlohmann::json;
namespace fs = std::filesystem;

// Elements of two routes, read at 4, 8 and 12 bar on some days; everything that makes a reading can be
// changed.
struct Study {
  int count = 6, runs_a_day = 2;
  std::vector<std::string> days[2] = {{"2031-05-04", "2031-05-05"}, {"2031-05-04", "2031-05-05"}};
  double flow_ratio = 1.0, angle_more_deg = 0.0;
  double day_share = 0.01;  // of the flow area, standard deviation
  int checks = 0;
  unsigned seed = 1;
  std::function<void(Json& run, int group, int element)> change;
};

struct Book {
  conebook::testing::ScratchFolder folder;
  std::string path = folder.In("book.db");
};

Json Quantity(double value, double frames, double meter, double rig) {
  return {{"value", value},
          {"u", std::hypot(frames, meter, rig)},
          {"budget",
           {{{"source", "scatter"}, {"u", frames}, {"shared", "frames"}},
            {{"source", "k-factor"}, {"u", meter}, {"shared", "meter"}},
            {{"source", "tilt"}, {"u", rig}, {"shared", "rig"}}}}};
}

Json RunOf(const std::string& element, const std::string& batch, const std::string& date, double area,
           double angle, int serial) {
  Json points = Json::array();
  for (const double bar : {4.0, 8.0, 12.0}) {
    const double cone = angle + 2.0 * std::log(bar / 8.0);
    points.push_back({{"pressure_bar", {{"value", bar}, {"u", 0.01}}},
                      {"flow_area_mm2", Quantity(area, 0.0005, 0.01 * area, 0.0)},
                      {"cd", Quantity(area / 2.0106, 0.0005, 0.01 * area / 2.0106, 0.0)},
                      {"half_angle_deg", {{"mean", Quantity(cone - 0.6, 0.1, 0.0, 0.3)}}},
                      {"cone_half_angle_deg", Quantity(cone, 0.1, 0.0, 0.3)},
                      {"breakup_mm", Quantity(30.0 - bar, 0.5, 0.0, 0.3)},
                      {"direction", "rising"},
                      {"temperature_c", 18.0}});
    points.back()["cd"]["area"] = "exit";
    points.back()["cd"]["area_mm2"] = {{"value", 2.0106}, {"u", 0.02}};
  }
  return {{"schema", "conebook.run/1"},
          {"element", element},
          {"batch", batch},
          {"kind", "swirl"},
          {"date", date},
          {"verdict", "ok"},
          {"program", {{"version", "0.1.0"}, {"build", "b1"}}},
          {"footage",
           {{"path", "a.mp4"}, {"sha256", fmt::format("{:064x}", serial)}, {"illumination", "backlit"}}},
          {"inputs", {{"rig_sha256", "aa"}, {"log", nullptr}, {"calibrations", Json::array()}}},
          {"settings",
           {{"rig",
             {{"element", {{"id", element}}},
              {"nozzle", {{"exit_diameter_mm", 1.6}}},
              {"stand", {{"liquid", "water"}}}}}}},
          {"stations_mm", {3.2, 12.0}},
          {"flags", Json::array()},
          {"points", points}};
}

void Store(const Study& study, const std::string& book) {
  std::mt19937 random(study.seed);
  std::normal_distribution<double> normal;
  std::map<std::string, double> day;
  for (const auto& days : study.days)
    for (const std::string& date : days)
      if (!day.contains(date)) day[date] = 1.0 + study.day_share * normal(random);
  std::vector<Record> records;
  int serial = 0;
  const auto add = [&](const std::string& element, const std::string& batch, const std::string& date,
                       double area, double angle, int group, int number) {
    Json run = RunOf(element, batch, date, area * day[date] * (1.0 + 0.001 * normal(random)),
                     angle + 0.1 * normal(random), ++serial);
    if (study.change) study.change(run, group, number);
    records.push_back(MakeRecord(run.dump(), {}));
  };
  for (int group = 0; group < 2; ++group) {
    for (int e = 0; e < study.count; ++e) {
      const double area = 0.36 * (1.0 + 0.004 * normal(random)) * (group == 1 ? study.flow_ratio : 1.0);
      const double angle = 35.0 + 0.4 * normal(random) + (group == 1 ? study.angle_more_deg : 0.0);
      for (const std::string& date : study.days[group]) {
        for (int r = 0; r < study.runs_a_day; ++r)
          add(fmt::format("{}{:02}", group == 0 ? "A" : "B", e + 1), group == 0 ? "R1" : "R2", date, area,
              angle, group, e);
      }
    }
  }
  for (int c = 0; c < study.checks; ++c) {
    for (const auto& [date, effect] : day) {
      for (int r = 0; r < 2; ++r) {
        Json run = RunOf(fmt::format("C{}", c + 1), "check", date,
                         0.35 * effect * (1.0 + 0.001 * normal(random)), 34.0, ++serial);
        run["role"] = "check";
        run["settings"]["rig"]["element"]["mount"] = r + 1;
        records.push_back(MakeRecord(run.dump(), {}));
      }
    }
  }
  StoreRecords(book, records);
}

Comparison Compared(const std::string& book, const std::string& one = "R1", const std::string& two = "R2",
                    std::optional<double> at_bar = std::nullopt,
                    const std::vector<std::string>& margins = {}) {
  CompareOptions options;
  options.groups = {ReadCompareGroup(book, one), ReadCompareGroup(book, two)};
  options.at_bar = at_bar;
  for (const std::string& margin : margins) options.margins.push_back(ReadCompareMargin(margin));
  return Compare(book, options);
}

const ComparedQuantity& Of(const Comparison& comparison, ReadQuantity quantity) {
  for (const ComparedQuantity& compared : comparison.quantities)
    if (compared.quantity == quantity) return compared;
  FAIL("not among the quantities: " << NameOf(quantity));
  return comparison.quantities.front();
}

std::string ErrorOf(const std::function<void()>& work) {
  try {
    work();
  } catch (const conebook::calib::InputError& error) {
    return error.what();
  }
  return "";
}

}  // namespace

TEST_CASE("a true difference in flow is found, angles alike are not told apart", "[src][compare]") {
  const Book book;
  Study study;
  study.flow_ratio = 1.03;
  Store(study, book.path);
  const Comparison comparison = Compared(book.path);
  CHECK(comparison.at_bar == Approx(8.0));
  CHECK(comparison.groups[0].elements.size() == 6);
  CHECK(comparison.groups[1].runs == 24);
  const ComparedQuantity& flow = Of(comparison, ReadQuantity::kFlowAreaMm2);
  CHECK(flow.verdict == "different");
  CHECK(flow.days_told);
  CHECK(flow.difference.value == Approx(0.03 * 0.36).margin(3.5 * flow.difference.u));
  CHECK(*flow.p_holm >= flow.p);
  CHECK(flow.members.size() == 12);
  // The same meter on both sides: 1 % of it acts on the difference alone.
  CHECK(flow.u_shared == Approx(0.01 * flow.difference.value).epsilon(0.05));
  CHECK(Of(comparison, ReadQuantity::kConeHalfAngleDeg).verdict == "not told apart");
  CHECK(Of(comparison, ReadQuantity::kConeHalfAngleDeg).u_shared == Approx(0.0).margin(1e-9));
}

TEST_CASE("rigs and meters that are not shared do not cancel", "[src][compare]") {
  const Book book;
  Study study;
  study.change = [](Json& run, int group, int) { run["inputs"]["rig_sha256"] = group == 0 ? "aa" : "bb"; };
  Store(study, book.path);
  const Comparison comparison = Compared(book.path);
  CHECK(Of(comparison, ReadQuantity::kConeHalfAngleDeg).u_shared ==
        Approx(0.3 * std::sqrt(2.0)).epsilon(0.01));
  CHECK(Of(comparison, ReadQuantity::kFlowAreaMm2).u_shared ==
        Approx(0.01 * 0.36 * std::sqrt(2.0)).epsilon(0.02));
}

TEST_CASE("routes read on different days are not told from the days, unless check elements tie them",
          "[src][compare]") {
  Study study;
  study.days[1] = {"2031-06-01", "2031-06-02"};
  study.day_share = 0.05;
  const Book apart;
  Store(study, apart.path);
  const Comparison alone = Compared(apart.path);
  CHECK(Of(alone, ReadQuantity::kFlowAreaMm2).verdict == "cannot tell route from day");
  CHECK_FALSE(Of(alone, ReadQuantity::kFlowAreaMm2).p_holm);
  CHECK_THAT(CompareInWords(alone), Contains("Cannot tell route from day"));
  study.checks = 2;
  const Book tied;
  Store(study, tied.path);
  const Comparison with = Compared(tied.path);
  CHECK(with.check_elements == std::vector<std::string>{"C1", "C2"});
  const ComparedQuantity& flow = Of(with, ReadQuantity::kFlowAreaMm2);
  CHECK(flow.days_told);
  CHECK(flow.verdict == "not told apart");
  // Days differ by 5 %: with their effects taken out the groups are alike to well below that.
  CHECK(std::abs(flow.difference.value) < 0.01 * 0.36);
}

TEST_CASE("angles through stations that differ are refused, the cone half angle is not", "[src][compare]") {
  const Book book;
  Study study;
  study.change = [](Json& run, int group, int) {
    if (group == 1) run["stations_mm"] = {3.2, 13.4};
  };
  Store(study, book.path);
  const Comparison comparison = Compared(book.path);
  CHECK_THAT(Of(comparison, ReadQuantity::kHalfAngleMeanDeg).refused,
             Contains("far stations differ by 12 %"));
  CHECK(Of(comparison, ReadQuantity::kConeHalfAngleDeg).refused.empty());
}

TEST_CASE("a breakup that is only bounded in some runs is not compared", "[src][compare]") {
  const Book book;
  Study study;
  study.change = [](Json& run, int group, int element) {
    if (group == 1 && element < 2)
      for (Json& point : run["points"]) point["breakup_mm"] = {{"lower_bound", 25.0}};
  };
  Store(study, book.path);
  const Comparison comparison = Compared(book.path);
  CHECK_THAT(Of(comparison, ReadQuantity::kBreakupMm).refused, Contains("8 of 48 runs"));
}

TEST_CASE("equivalence: within a wide margin yes, within a narrow one not yet, beyond it no",
          "[src][compare]") {
  const Book book;
  Study study;
  study.angle_more_deg = 1.5;
  Store(study, book.path);
  const auto angle = [&](const std::string& margin) {
    return Of(Compared(book.path, "R1", "R2", std::nullopt, {"cone_half_angle_deg=" + margin}),
              ReadQuantity::kConeHalfAngleDeg);
  };
  using conebook::calib::Equivalence;
  CHECK(angle("4").equivalence->verdict == Equivalence::kYes);
  CHECK(angle("0.2").equivalence->verdict == Equivalence::kNo);
  const ComparedQuantity open = angle("1.8");
  CHECK(open.equivalence->verdict == Equivalence::kNotYet);
  REQUIRE(open.elements_more);
  CHECK(*open.elements_more > 0);
  CHECK(angle("10%").margin == Approx(3.5).epsilon(0.05));
}

TEST_CASE("a difference in flow is parted into measured bores and Cd", "[src][compare]") {
  const Book book;
  Study study;
  study.count = 8;
  study.flow_ratio = 1.04 * 0.99;
  std::mt19937 random(3);
  std::normal_distribution<double> normal;
  std::map<std::pair<int, int>, double> exits;
  study.change = [&](Json& run, int group, int element) {
    // The second route's exits are 2 % wider, which makes 4 % of area; what is left is 1 % less Cd.
    double& exit = exits[{group, element}];
    if (exit == 0.0) exit = 1.6 * (group == 1 ? std::sqrt(1.04) : 1.0) * (1.0 + 0.001 * normal(random));
    run["settings"]["rig"]["element"]["measured_by"] = "pin_gauge";
    run["settings"]["rig"]["nozzle"]["exit_diameter_mm"] = exit;
  };
  Store(study, book.path);
  const FlowSplit split = Compared(book.path).flow_split;
  REQUIRE(split.refused.empty());
  CHECK(split.whole.percent == Approx(2.96).margin(1.0));
  CHECK(split.bores.percent == Approx(4.0).margin(0.4));
  CHECK(split.cd.percent == Approx(-1.0).margin(1.0));
  CHECK(split.cd.interval95.lo < split.cd.percent);
  CHECK(1.0 + 0.01 * split.whole.percent ==
        Approx((1.0 + 0.01 * split.bores.percent) * (1.0 + 0.01 * split.cd.percent)).epsilon(1e-3));
  // As the drawing has them: no measurement.
  const Book drawn;
  study.change = [](Json& run, int, int) { run["settings"]["rig"]["element"]["measured_by"] = "drawing"; };
  Store(study, drawn.path);
  CHECK_THAT(Compared(drawn.path).flow_split.refused, Contains("measured bores"));
}

TEST_CASE("labels that were exchanged on a day are named", "[src][compare]") {
  const Book book;
  Study study;
  study.days[0] = study.days[1] = {"2031-05-04", "2031-05-05", "2031-05-06"};
  // Every element unlike the others by far more than it repeats.
  std::mt19937 random(6);
  std::normal_distribution<double> normal;
  study.change = [&](Json& run, int group, int element) {
    int read = 6 * group + element;
    // A02 and B03 were mixed up on the last day.
    if (run["date"] == "2031-05-06" && (read == 1 || read == 8)) read = 9 - read;
    const double area = 0.36 * (1.0 + 0.02 * read) + 0.0005 * normal(random);
    const double cone = 35.0 + 2.0 * (read * 5 % 12 - 6) + 0.1 * normal(random);
    for (Json& point : run["points"]) {
      point["flow_area_mm2"]["value"] = area;
      point["cone_half_angle_deg"]["value"] = cone;
    }
  };
  Store(study, book.path);
  const auto swapped = Compared(book.path).maybe_swapped;
  REQUIRE(swapped.size() == 2);
  CHECK(swapped[0].element == "A02");
  CHECK(swapped[0].fits == "B03");
  CHECK(swapped[0].date == "2031-05-06");
  CHECK(swapped[0].exchanged);
  CHECK(swapped[1].element == "B03");
}

TEST_CASE("temperature and the inlet edge's radius take their part, where there is enough to tell",
          "[src][compare]") {
  const Book book;
  Study study;
  study.count = 8;
  std::mt19937 random(4);
  std::uniform_real_distribution<double> unit(0.0, 1.0);
  std::map<std::pair<int, int>, double> radius;
  study.change = [&](Json& run, int group, int element) {
    auto [found, fresh] = radius.try_emplace({group, element}, 0.0);
    if (fresh) found->second = 0.05 + 0.1 * unit(random);
    run["settings"]["rig"]["element"]["inlet_edge_radius_mm"] = found->second;
    const double warm = 6.0 * unit(random);
    for (Json& point : run["points"]) {
      point["temperature_c"] = 15.0 + warm;
      double& area = point["flow_area_mm2"]["value"].get_ref<double&>();
      area *= 1.0 + 0.004 * warm + 0.5 * (found->second - 0.1);
    }
  };
  Store(study, book.path);
  const ComparedQuantity flow = Of(Compared(book.path), ReadQuantity::kFlowAreaMm2);
  REQUIRE(flow.covariates.size() == 2);
  CHECK(flow.covariates[0].name == "temperature_c");
  CHECK(flow.covariates[0].taken_out);
  CHECK(flow.covariates[0].slope == Approx(0.004 * 0.36).epsilon(0.15));
  CHECK(flow.covariates[1].name == "inlet_edge_radius_mm");
  CHECK(flow.covariates[1].slope == Approx(0.5 * 0.36).margin(3.0 * flow.covariates[1].u));
  CHECK(flow.covariates[1].rest);
}

TEST_CASE("what cannot be compared is said plainly", "[src][compare]") {
  const Book book;
  Study study;
  study.change = [](Json& run, int group, int) {
    if (group == 1)
      for (Json& point : run["points"])
        point["pressure_bar"]["value"] = 4.0 * point["pressure_bar"]["value"].get<double>();
  };
  Store(study, book.path);
  CHECK_THAT(ErrorOf([&] { Compared(book.path, "R1", "R3"); }),
             Contains("no batch or element of that name") && Contains("R1, R2"));
  CHECK_THAT(ErrorOf([&] { Compared(book.path, "R1", "R2", 2.0); }),
             Contains("--at-bar 2") && Contains("4.00 to 12.00 bar"));
  CHECK_THAT(ErrorOf([&] { Compared(book.path, "a: batch=R1, batsch=R2", "R2"); }),
             Contains("did you mean batch?"));
  CHECK_THAT(ErrorOf([&] { Compared(book.path, "a: batch=R1, from=May", "R2"); }),
             Contains("expected a day"));
  CHECK_THAT(ErrorOf([&] { Compared(book.path, "R1", "a: batch=R1, element=A01"); }), Contains("is in both"));
  CHECK_THAT(ErrorOf([&] { Compared(book.path, "R1", "a: batch=R2, to=1999-01-01"); }), Contains("no run"));
  CHECK_THAT(ErrorOf([&] { ReadCompareMargin("flow_aera_mm2=1"); }), Contains("did you mean flow_area_mm2?"));
  CHECK_THAT(ErrorOf([&] { ReadCompareMargin("flow_area_mm2=-1"); }), Contains("above zero"));
  // One element on either side: nobody knows how much elements differ.
  CHECK_THAT(ErrorOf([&] { Compared(book.path, "a: element=A01", "b: element=A02"); }),
             Contains("one element each"));
  // Read in different ranges that do not meet: 4 to 12 and 16 to 48 bar.
  CHECK_THAT(ErrorOf([&] { Compared(book.path); }),
             Contains("no pressure drop at which both groups were read"));
}

TEST_CASE("JSON and page of a comparison hold what was compared", "[src][compare]") {
  const Book book;
  Study study;
  study.flow_ratio = 1.03;
  Store(study, book.path);
  const Comparison comparison = Compared(book.path, "R1", "new <route>: batch=R2");
  const Json json = Json::parse(CompareJson(comparison));
  CHECK(json.at("schema") == "conebook.compare/1");
  CHECK(json.at("groups").at(1).at("name") == "new <route>");
  CHECK(json.at("quantities").at(0).at("quantity") == "flow_area_mm2");
  CHECK(json.at("quantities").at(0).at("difference").at("lo95").get<double>() > 0.0);
  CHECK(json.at("quantities").at(0).at("members").size() == 12);
  const std::string page = RenderComparePage(comparison);
  CHECK_THAT(page, Contains("new &lt;route&gt;") && !Contains("new <route>"));
  for (const std::string& element : comparison.groups[0].elements) CHECK_THAT(page, Contains(element));
  // The same archive, the same bytes.
  CHECK(CompareJson(Compared(book.path, "R1", "new <route>: batch=R2")) == CompareJson(comparison));
}
