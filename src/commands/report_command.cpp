#include <cmath>
#include <optional>
#include <utility>

#include <fmt/core.h>

#include <calib/error.h>

#include "src/archive/archive.h"
#include "src/archive/element_page.h"
#include "src/archive/run_record.h"
#include "src/commands/archive_commands.h"
#include "src/commands/output.h"
#include "src/iso_date.h"
#include "src/output_file.h"
#include "src/report/element_report.h"
#include "src/report/report.h"
#include "src/report/side_by_side.h"

namespace conebook::src {
namespace {

std::string RunPage(const std::string& archive, const std::string& prefix) {
  const std::string key = FindKey(archive, prefix);
  const Record record = ReadRecord(archive, key, false);
  if (record.json.find(fmt::format("\"schema\":\"{}\"", kRunSchema)) == std::string::npos)
    throw calib::InputError(prefix +
                            ": is not a measured run; give --element for what is imported or stated");
  return RenderReportHtml(RunFromRecord(record.json, EvidenceOf(archive)));
}

std::string DayPage(const std::string& archive, const std::string& day) {
  StatedDay(day, "--day");
  RunFilter filter;
  filter.from = filter.to = day;
  filter.origin = "measured";
  const std::vector<RunRow> rows = FindRuns(archive, filter, RunOrder::kElement);
  if (rows.empty())
    throw calib::InputError(fmt::format("no measured run of {} in {} (see conebook list)", day, archive));
  DayReport report;
  report.name = "Runs of " + day;
  report.sheet_path = NameForResult(archive);
  const EvidenceReader evidence = EvidenceOf(archive);
  for (const RunRow& row : rows) {
    DayEntry entry;
    entry.run = RunFromRecord(ReadRecord(archive, row.key, false).json, evidence);
    entry.clip = entry.run->footage ? entry.run->footage->path : "";
    entry.element = row.element;
    entry.batch = row.batch;
    report.entries.push_back(std::move(entry));
  }
  return RenderDayReportHtml(report);
}

// The newest run of an element that shows it within a tenth of a bar, or 5 %, of the pressure drop.
SideBySideEntry EntryAt(const std::string& archive, const std::string& element, double at_bar,
                        const EvidenceReader& evidence) {
  RunFilter filter;
  filter.elements = {element};
  filter.origin = "measured";
  std::optional<double> nearest_bar;
  bool any = false;
  for (const RunRow& row : FindRuns(archive, filter, RunOrder::kDate, true)) {
    if (!row.counts || row.footage.empty()) continue;
    SideBySideEntry entry{RunFromRecord(ReadRecord(archive, row.key, false).json, evidence), 0, row.key};
    std::optional<double> best;
    for (std::size_t k = 0; k < entry.run.points.size(); ++k) {
      const Point& point = entry.run.points[k];
      if (!point.pressure_bar || point.spray.still.empty()) continue;
      const double off = std::abs(point.pressure_bar->value - at_bar);
      if (!nearest_bar || off < std::abs(*nearest_bar - at_bar)) nearest_bar = point.pressure_bar->value;
      if (best && off >= *best) continue;
      best = off;
      entry.point = k;
    }
    any = true;
    if (best && *best <= std::max(0.1, 0.05 * at_bar)) return entry;
  }
  if (!any)
    throw calib::InputError(fmt::format(
        "no measured run with footage of element {} in {} (see conebook list)", element, archive));
  throw calib::InputError(
      nearest_bar ? fmt::format("element {} has no picture near {:g} bar; the nearest on record is at {:.3g} "
                                "bar: state an --at-bar that "
                                "all of them were filmed near",
                                element, at_bar, *nearest_bar)
                  : fmt::format("element {} has no picture at a known pressure drop on record", element));
}

std::string SideBySidePage(const ReportOptions& options) {
  if (!options.at_bar || !(*options.at_bar > 0.0))
    throw calib::InputError(
        "--side-by-side needs --at-bar BAR, above 0: sprays are compared at one pressure drop");
  if (options.side_by_side.size() < 2)
    throw calib::InputError("--side-by-side needs two elements or more, for instance A07,A08");
  SideBySide what;
  what.at_bar = *options.at_bar;
  what.hide_order = options.hide_order;
  const EvidenceReader evidence = EvidenceOf(options.archive);
  for (const std::string& element : options.side_by_side)
    what.entries.push_back(EntryAt(options.archive, element, what.at_bar, evidence));
  return RenderSideBySideHtml(what);
}

}  // namespace

int Report(const ReportOptions& options) {
  const int asked = (options.record ? 1 : 0) + (options.element ? 1 : 0) + (options.day ? 1 : 0) +
                    (options.side_by_side.empty() ? 0 : 1);
  if (asked != 1)
    throw calib::InputError(
        "what shall the page show? Give one of --record KEY, --element ID, --day 2031-05-04, --side-by-side "
        "ID,ID");
  if (options.side_by_side.empty() && (options.at_bar || options.hide_order))
    throw calib::InputError("--at-bar and --hide-order belong to --side-by-side");
  CheckOutput(options.report);
  std::string page;
  if (options.record)
    page = RunPage(options.archive, *options.record);
  else if (options.element)
    page = RenderElementReportHtml(GatherElement(options.archive, *options.element));
  else if (!options.side_by_side.empty())
    page = SideBySidePage(options);
  else
    page = DayPage(options.archive, *options.day);
  WriteOutput(options.report, page);
  if (!options.quiet && options.report != "-") fmt::print("{}\n", options.report);
  FlushOutput();
  return 0;
}

}  // namespace conebook::src
