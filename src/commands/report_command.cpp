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

}  // namespace

int Report(const ReportOptions& options) {
  const int asked = (options.record ? 1 : 0) + (options.element ? 1 : 0) + (options.day ? 1 : 0);
  if (asked != 1)
    throw calib::InputError(
        "what shall the page show? Give one of --record KEY, --element ID, --day 2031-05-04");
  CheckOutput(options.report);
  std::string page;
  if (options.record)
    page = RunPage(options.archive, *options.record);
  else if (options.element)
    page = RenderElementReportHtml(GatherElement(options.archive, *options.element));
  else
    page = DayPage(options.archive, *options.day);
  WriteOutput(options.report, page);
  if (!options.quiet && options.report != "-") fmt::print("{}\n", options.report);
  FlushOutput();
  return 0;
}

}  // namespace conebook::src
