// An element with several made-up runs, for tests of its page. Nothing here was measured.
#pragma once

#include <string>

#include <fmt/format.h>

#include "sample_run.h"
#include "src/report/element_report.h"

namespace conebook::src::testing {

// Run number i of an element whose spray drifts a little from run to run.
inline ElementRun MadeElementRun(int i) {
  ElementRun entry;
  entry.record = fmt::format("{:08x}", 0x1c0ffee0U + 0x01234567U * static_cast<unsigned>(i));
  entry.date = fmt::format("2026-{:02d}-{:02d}", 1 + i / 25 % 12, 1 + i % 25);
  entry.run = MadeRun();
  entry.run.date = entry.date;
  entry.run.date_from = "stated";
  const double drift = 0.05 * std::sin(1.3 * i) + 0.02 * i;
  for (Point& point : entry.run.points) {
    point.spray.half_angle->mean_deg.value += drift;
    point.spray.breakup_mm->value -= 2.0 * drift;
    point.flow_area_mm2->value *= 1.0 + 0.004 * std::cos(2.1 * i);
    point.flow_kg_s->value *= 1.0 + 0.004 * std::cos(2.1 * i);
  }
  entry.run.flow_law->flow_area_mm2->value *= 1.0 + 0.004 * std::cos(2.1 * i);
  return entry;
}

inline ElementReport MadeElement(int runs) {
  ElementReport report;
  report.element = "A07";
  report.batch = "reamed";
  for (int i = 0; i < runs; ++i) report.runs.push_back(MadeElementRun(i));
  return report;
}

inline EarlierPoint MadeEarlier(const std::string& date, double pressure_bar, double flow_kg_s) {
  EarlierPoint point;
  point.date = date;
  point.source = "old_bench_table.csv";
  point.pressure_bar = Plain(pressure_bar, 0.02 * pressure_bar);
  point.flow_kg_s = Plain(flow_kg_s, 0.02 * flow_kg_s);
  point.flow_area_mm2 = Plain(0.378, 0.009);
  point.liquid = "water";
  point.temperature_c = 20.0;
  return point;
}

}  // namespace conebook::src::testing
