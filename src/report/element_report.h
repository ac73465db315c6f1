// All that is on record of one element as one self-contained HTML page: picture of the latest spray first,
// then how flow and spray stand over all its runs, its facts and its stock history, then every run in full.
// Earlier results that were typed in or imported are always marked as such. Same input, same bytes.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "src/run.h"

namespace conebook::src {

// A statement about the element: name and value in words with the unit, and since when or from which table.
struct ElementFact {
  std::string name;       // "exit diameter"
  std::string value;      // "1.198 mm, u 0.004 mm, by pin gauge"
  std::string from;       // "elements.csv, 2026-11-03"; may be empty
  bool disputed = false;  // two statements on record say different things, and none supersedes the other
};

struct StockEvent {
  std::string date;   // ISO 8601
  std::string state;  // "fitted"
  std::string words;  // "plate P2, position 5"; may be empty
};

struct ElementRun {
  std::string record;  // first digits of the record's key
  std::string date;    // may be empty
  Run run;
  std::string superseded_by;  // "superseded by <record>: <reason>", "withdrawn: <reason>"; empty: counts
};

// A pressure point of an earlier result, imported, not measured by this program.
struct EarlierPoint {
  std::string date, source;  // source: the table it came from
  std::optional<calib::Quantity> pressure_bar, flow_kg_s, flow_area_mm2, cd, half_angle_deg;
  std::string liquid;
  std::optional<double> temperature_c;
};

struct ElementReport {
  std::string element, batch;
  std::vector<ElementFact> facts;
  std::vector<StockEvent> stock;      // oldest first
  std::vector<ElementRun> runs;       // oldest first, superseded ones among them
  std::vector<EarlierPoint> earlier;  // oldest first
};

// Under 3 MB: where the runs are many, the latest are shown in full and the others in the table alone, and
// the page says so.
std::string RenderElementReportHtml(const ElementReport& report);

}  // namespace conebook::src
