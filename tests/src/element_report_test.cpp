#include "src/report/element_report.h"

#include <algorithm>
#include <fstream>
#include <string>

#include <catch2/catch.hpp>
#include <fmt/format.h>

#include "sample_element.h"
#include "src/report/assets.h"
#include "src/report/element_charts.h"

namespace {

using namespace conebook;
using namespace conebook::src;

bool Has(const std::string& page, const std::string& text) {
  return page.find(text) != std::string::npos;
}

std::size_t At(const std::string& page, const std::string& text) {
  const std::size_t at = page.find(text);
  INFO("looked for: " << text);
  REQUIRE(at != std::string::npos);
  return at;
}

int Count(const std::string& page, const std::string& text) {
  int count = 0;
  for (std::size_t at = page.find(text); at != std::string::npos; at = page.find(text, at + 1)) ++count;
  return count;
}

// The page without the embedded bundle, whose own text would answer many a search.
std::string Rendered(const ElementReport& report) {
  std::string page = RenderElementReportHtml(report);
  const std::string bundle(PlotlyBundle());
  const std::size_t at = page.find(bundle);
  if (at != std::string::npos) page.erase(at, bundle.size());
  return page;
}

const Chart* ChartNamed(const std::vector<Chart>& charts, const std::string& key) {
  const auto found = std::find_if(charts.begin(), charts.end(), [&](const Chart& c) { return c.key == key; });
  return found == charts.end() ? nullptr : &*found;
}

// A run without pictures and frames, for histories of hundreds of runs.
ElementRun Light(int i) {
  static const ElementRun kOne = [] {
    ElementRun run = conebook::src::testing::MadeElementRun(0);
    for (Point& point : run.run.points) {
      point.spray.still.release();
      point.spray.series.clear();
    }
    return run;
  }();
  ElementRun run = kOne;
  run.record = fmt::format("{:012x}", i);
  return run;
}

}  // namespace

TEST_CASE("an element's page goes latest spray, runs, charts, facts, stock, imported results, remarks, runs",
          "[src][report][element]") {
  ElementReport report = testing::MadeElement(2);
  report.facts = {{"exit diameter", "1.198 mm", "elements.csv", false}};
  report.stock = {{"2026-01-02", "in stock", "tray 3"}};
  report.earlier = {testing::MadeEarlier("2024-05-17", 4.0, 0.0107)};
  const std::string page = Rendered(report);
  const std::size_t order[] = {At(page, "Element A07</h1>"),
                               At(page, "<h2>Latest spray"),
                               At(page, "<h2>Runs</h2>"),
                               At(page, "<h2>Over all runs"),
                               At(page, "<h2>Facts"),
                               At(page, "<h2>Stock history"),
                               At(page, "<h2>Earlier results"),
                               At(page, "<h2>Remarks of the runs"),
                               At(page, "<article id=\"run-2\">"),
                               At(page, "<article id=\"run-1\">"),
                               At(page, "Cautions.")};
  CHECK(std::is_sorted(std::begin(order), std::end(order)));
  CHECK(Has(page, "href=\"#run-1\""));
  CHECK(Has(page, "href=\"#run-2\""));
}

TEST_CASE("the picture on top is of the latest run that counts and was measured", "[src][report][element]") {
  ElementReport report = testing::MadeElement(4);
  report.runs[3].run.points.clear();
  report.runs[3].run.flags = {
      {"no_spray", calib::Severity::kReject, std::nullopt, std::nullopt, "nothing there", "open the valve"}};
  report.runs[2].superseded_by = "superseded by " + report.runs[3].record + ": wrong ruler";
  const std::string page = Rendered(report);
  const std::size_t top = At(page, "<h2>Latest spray");
  CHECK(page.find("Run of " + report.runs[1].date + ", record " + report.runs[1].record, top) <
        page.find("<h2>Runs</h2>", top));
}

TEST_CASE("imported results are open marks, always named, and never mixed with measured ones",
          "[src][report][element]") {
  ElementReport report = testing::MadeElement(1);
  for (const double bar : {2.0, 4.0, 6.0})
    report.earlier.push_back(testing::MadeEarlier("2024-05-17", bar, 0.01));
  report.earlier[1].flow_area_mm2->u = 0.0;
  const std::vector<Chart> charts = ElementCharts(report);
  for (const char* key : {"by_run", "flow"}) {
    INFO(key);
    const Chart* chart = ChartNamed(charts, key);
    REQUIRE(chart);
    CHECK(Count(chart->json, "\"name\":\"imported\",\"look\":\"imported\"") == 1);
    CHECK(Has(chart->words, "imported: 3 points"));
  }
  // Nothing of the kind was imported, so nothing is named.
  REQUIRE(ChartNamed(charts, "half_angle"));
  CHECK_FALSE(Has(ChartNamed(charts, "half_angle")->json, "imported"));
  const std::string page = Rendered(report);
  CHECK(Count(page, "<td class=\"imported\">imported</td>") == 3);
  CHECK(Has(page, "u not stated"));
  CHECK_FALSE(Has(page, "0.378000"));  // no u, no six decimals
}

TEST_CASE("a chart with imported results alone still names them", "[src][report][element]") {
  ElementReport report;
  report.element = "A07";
  for (const double bar : {2.0, 4.0}) report.earlier.push_back(testing::MadeEarlier("2024-05-17", bar, 0.01));
  const std::vector<Chart> charts = ElementCharts(report);
  REQUIRE(ChartNamed(charts, "flow"));
  CHECK(Has(ChartNamed(charts, "flow")->json, "\"name\":\"imported\""));
  CHECK(Has(ChartNamed(charts, "flow")->json, "\"legend\":true"));
}

TEST_CASE("a superseded run is struck, says why, and stays visible in the charts", "[src][report][element]") {
  ElementReport report = testing::MadeElement(3);
  report.runs[1].superseded_by =
      "superseded by " + report.runs[2].record + ": scale read off the wrong ruler";
  const std::string page = Rendered(report);
  CHECK(Count(page, "<tr class=\"superseded\">") == 1);
  CHECK(Has(page, "superseded by " + report.runs[2].record + ": scale read off the wrong ruler</td>"));
  CHECK(Has(page, "<small>and 1 superseded</small>"));
  CHECK(Has(page, "<b>No longer counted:</b>"));
  for (const Chart& chart : ElementCharts(report)) {
    INFO(chart.key);
    CHECK(Has(chart.json, "\"name\":\"superseded (1)\",\"look\":\"superseded\""));
  }
}

TEST_CASE("what the runs remark is said once each, with how many runs and what to do",
          "[src][report][element]") {
  ElementReport report = testing::MadeElement(3);
  report.runs[0].run.flags[1].message = "There were no spray-free frames within 4 s of this point.";
  report.runs[1].superseded_by = "x: y";
  const std::string page = Rendered(report);
  const std::size_t from = At(page, "<h2>Remarks of the runs"), to = At(page, "<article id=\"run-3\">");
  const std::string remarks = page.substr(from, to - from);
  CHECK(Count(remarks, "<code>background_estimated</code>") == 1);
  CHECK(Has(remarks, "half angle; 2 of 2 runs, last " + report.runs[2].date));
  CHECK(Has(remarks, "within 3 s"));  // in the words of the latest
  CHECK_FALSE(Has(remarks, "within 4 s"));
  CHECK(Has(remarks, "<b>What to do:</b> Start filming before the valve opens."));
}

TEST_CASE("a run above rated pressure comes before everything else on the element's page",
          "[src][report][element]") {
  ElementReport report = testing::MadeElement(3);
  for (const int i : {0, 1})
    report.runs[static_cast<std::size_t>(i)].run.flags.push_back(
        {"above_rated_pressure", calib::Severity::kWarn, std::nullopt, "pressure_bar",
         fmt::format("the log reaches {} bar", 17 + i), "depressurise, find out why"});
  const std::string page = Rendered(report);
  CHECK(At(page, "The log reaches 18 bar.") < At(page, "Element A07</h1>"));
  CHECK(Has(page, "the latest of 2 runs above rated pressure"));
  // A run that no longer counts warns in its own section alone.
  report.runs[0].superseded_by = report.runs[1].superseded_by = "x: y";
  CHECK(At(Rendered(report), "Element A07</h1>") < At(Rendered(report), "The log reaches 18 bar."));
}

TEST_CASE(
    "views of one day give the true lean on the element's page; other days and superseded runs do not mix in",
    "[src][report][element]") {
  // lean = holder - size sin(rotation + direction), worked by hand: holder 0.5, size 1, direction 90.
  ElementReport report = conebook::src::testing::MadeElement(5);
  const double leans[] = {-0.5, 1.0, 1.0, 5.0, 5.0};
  for (std::size_t i = 0; i < 5; ++i) {
    ElementRun& run = report.runs[i];
    run.date = i < 4 ? "2026-03-01" : "2026-03-02";
    run.run.view_rotation_deg = calib::Stated{i < 3 ? 120.0 * static_cast<double>(i) : 60.0, 1.0};
    for (Point& point : run.run.points)
      point.spray.half_angle->lean_deg =
          conebook::src::testing::Made(leans[i], 0.05, "scatter from frame to frame", calib::Shared::kFrames);
  }
  CHECK(Count(Rendered(report), "the spray leans by 1.00 deg") == 0);  // with the wrong fourth view
  report.runs[3].superseded_by = "withdrawn: the mark had slipped";
  const std::string page = Rendered(report);
  CHECK(Count(page, "<h2>Seen from several sides</h2>") == 1);
  CHECK(Count(page, "2026-03-01: ") >= 1);
  CHECK(Count(page, "the spray leans by 1.00 deg") >= 1);
  CHECK(Count(page, "towards 90 deg") >= 1);
  CHECK(Count(page, "holder and camera roll +0.50 deg") >= 1);
  CHECK(Count(Rendered(conebook::src::testing::MadeElement(3)), "Seen from several sides") == 0);
}

TEST_CASE("disputed facts are marked, and only those", "[src][report][element]") {
  ElementReport report = testing::MadeElement(1);
  report.facts = {{"exit diameter", "1.198 mm", "a.csv", true},
                  {"exit diameter", "1.21 mm", "b.csv", true},
                  {"drawing number", "INV-0042", "a.csv", false}};
  const std::string page = Rendered(report);
  CHECK(Count(page, "<b class=\"disputed\">disputed</b>") == 2);
  CHECK(Has(page, "INV-0042</td>"));
  report.facts.erase(report.facts.begin(), report.facts.begin() + 2);
  CHECK_FALSE(Has(Rendered(report), "disputed, two statements"));
}

TEST_CASE("whatever was written about an element cannot become markup", "[src][report][element]") {
  const std::string evil = "<script>alert(1)</script>\"'&";
  ElementReport report = testing::MadeElement(2);
  report.element = report.batch = evil;
  report.facts = {{evil, evil, evil, true}};
  report.stock = {{evil, evil, evil}};
  report.runs[0].record = report.runs[0].date = report.runs[0].superseded_by = evil;
  report.runs[1].record = report.runs[1].date = evil;
  report.runs[1].run.date = evil;
  report.earlier = {testing::MadeEarlier(evil, 4.0, 0.01), testing::MadeEarlier(evil, 5.0, 0.01)};
  report.earlier[0].source = report.earlier[0].liquid = evil;
  const std::string page = Rendered(report);
  CHECK_FALSE(Has(page, "<script>alert"));
  CHECK_FALSE(Has(page, "alert(1)</script>"));
  CHECK(Has(page, "&lt;script&gt;alert(1)"));
}

TEST_CASE("an element with sixty runs gives a page under 3 MB that says which are in full",
          "[src][report][element]") {
  const ElementReport report = testing::MadeElement(60);
  const std::string page = RenderElementReportHtml(report);
  CHECK(page.size() < 3'000'000);
  CHECK(Count(page, "<article id=\"run-") >= 5);
  CHECK(Count(page, "<article id=\"run-") == Count(page, "href=\"#run-"));
  CHECK(Has(page, "<article id=\"run-60\">"));
  CHECK(Has(page, fmt::format("{} of the 60 runs are shown in full", Count(page, "<article id=\"run-"))));
  for (const ElementRun& run : report.runs) CHECK(Has(page, run.record));
  CHECK(page == RenderElementReportHtml(report));
}

TEST_CASE("a history of a thousand runs still gives a page under 3 MB, and says what is left out",
          "[src][report][element]") {
  ElementReport report;
  report.element = "A07";
  for (int i = 0; i < 1000; ++i) {
    report.runs.push_back(Light(i));
    report.earlier.push_back(testing::MadeEarlier("2024-05-17", 4.0, 0.01));
  }
  const std::string page = RenderElementReportHtml(report);
  CHECK(page.size() < 3'000'000);
  CHECK(Has(page, "500 older runs are on record and not on this page."));
  CHECK(Has(page, "500 older imported results are on record and not on this page."));
  CHECK(Has(page, report.runs.back().record));
  CHECK_FALSE(Has(page, report.runs.front().record));
}

TEST_CASE("an element of which only facts are on record has a page without charts",
          "[src][report][element]") {
  ElementReport report;
  report.element = "B01";
  report.facts = {{"exit diameter", "1.198 mm", "elements.csv", false}};
  const std::string page = RenderElementReportHtml(report);
  CHECK(Has(page, "Element B01</h1>"));
  CHECK(Has(page, "1.198 mm"));
  CHECK_FALSE(Has(page, "<h2>Over all runs"));
  CHECK_FALSE(Has(page, "<h2>Runs</h2>"));
  CHECK(page.size() < 60'000);
}

TEST_CASE("the latest run always has its date below the chart run by run", "[src][report][element]") {
  ElementReport report;
  for (int i = 0; i < 23; ++i) {
    report.runs.push_back(Light(i));
    report.runs.back().date = fmt::format("2026-03-{:02d}", i + 1);
  }
  report.earlier = {testing::MadeEarlier("2026-03-10", 4.0, 0.01)};
  const std::vector<Chart> charts = ElementCharts(report);
  REQUIRE(ChartNamed(charts, "by_run"));
  const std::string& json = ChartNamed(charts, "by_run")->json;
  const std::size_t ticks = At(json, "\"ticks\"");
  CHECK(Has(json.substr(ticks), "\"2026-03-23\"]"));
  // In order of date: nine runs before it, the run of the same day behind it.
  CHECK(Has(json, "\"look\":\"imported\",\"hue\":0,\"panel\":1,\"x\":[10]"));
}

// Not run by ctest: writes pages to look at into the working folder.
TEST_CASE("write sample pages of an element", "[.pages]") {
  ElementReport report = testing::MadeElement(7);
  report.runs[2].superseded_by = report.runs[3].record + ": scale read off the wrong ruler";
  Run& rejected = report.runs[4].run;
  rejected.points.clear();
  rejected.trace = {};
  rejected.flow_law.reset();
  rejected.flags = {{"no_spray", calib::Severity::kReject, std::nullopt, std::nullopt,
                     "nothing changes below the exit: 0.3 % of full scale, 4.5 % needed",
                     "check exit_px and the valve"}};
  report.runs[5].run.points[2].spray.breakup_mm.reset();
  report.runs[5].run.points[2].spray.breakup_lower_bound_mm = 41.7;
  for (const double bar : {2.0, 4.0, 6.0})
    report.earlier.push_back(testing::MadeEarlier("2024-05-17", bar, 0.0107 * std::sqrt(bar / 4.0)));
  report.earlier.back().flow_kg_s->u = 0.0;
  report.facts = {
      {"exit diameter", "1.198 mm, u 0.004 mm", "elements.csv, 2026-01-03", true},
      {"exit diameter", "1.21 mm, u 0.01 mm", "shop_floor_list_of_the_second_delivery.csv, 2026-01-19", true},
      {"made by", "reaming, then deburring", "elements.csv, 2026-01-03", false},
      {"drawing number", "INV-0042 B", "elements.csv, 2026-01-03", false}};
  report.stock = {{"2026-01-02", "in stock", "tray 3"},
                  {"2026-01-09", "fitted", "plate P2, position 5"},
                  {"2026-01-12", "cleaned", "ultrasonic bath, 10 min, deionised water"}};
  std::ofstream("element.html") << RenderElementReportHtml(report);
  std::ofstream("element60.html") << RenderElementReportHtml(testing::MadeElement(60));
}
