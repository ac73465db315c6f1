#include "src/report/element_report.h"

#include <fstream>
#include <string>

#include <catch2/catch.hpp>

#include "sample_element.h"
#include "src/report/element_charts.h"

namespace {

using namespace conebook;
using namespace conebook::src;

}  // namespace

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
