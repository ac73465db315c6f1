// A run, or a test day, as one self-contained HTML page: opens offline, prints on A4, under 3 MB. Everything
// that a user wrote is escaped. Same run, same bytes.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "src/check_element.h"
#include "src/meter_check.h"
#include "src/run.h"

namespace conebook::src {

std::string RenderReportHtml(const Run& run);

// One clip of a test day: measured (a rejected run is a run), or why it could not be tried at all.
struct DayEntry {
  std::string clip;  // as the sheet names it
  std::string element, batch;
  std::optional<Run> run;
  std::string error;  // the input error's text; only where there is no run
  // The how-manyth time that the element was put on the stand; nothing: nobody said.
  std::optional<int> mount = std::nullopt;
};

struct DayReport {
  std::string name;  // of the day, from the sheet
  std::string sheet_path;
  std::vector<DayEntry> entries;
  std::vector<ElementCheck> checks;           // of check elements, where the day has any
  std::vector<MeterCheck> meter_checks = {};  // bucket against meter
};

std::vector<const Run*> RunsOf(const DayReport& day);

// All of the day in one file: a table of the runs, each with a link to its own section further down.
std::string RenderDayReportHtml(const DayReport& day);

}  // namespace conebook::src
