#include <cstdio>

#include <fmt/core.h>

#include <calib/error.h>

#include "src/archive/archive.h"
#include "src/archive/export.h"
#include "src/commands/archive_commands.h"
#include "src/commands/output.h"
#include "src/nearest_name.h"
#include "src/report/digits.h"
#include "src/text_table.h"

namespace conebook::src {
namespace {

RunOrder OrderNamed(const std::string& name) {
  static const std::vector<std::pair<std::string, RunOrder>> kOrders{
      {"date", RunOrder::kDate},          {"element", RunOrder::kElement},
      {"batch", RunOrder::kBatch},        {"verdict", RunOrder::kVerdict},
      {"flow_area", RunOrder::kFlowArea}, {"half_angle", RunOrder::kHalfAngle},
      {"breakup", RunOrder::kBreakup}};
  std::vector<std::string> names;
  for (const auto& [known, order] : kOrders) {
    if (known == name) return order;
    names.push_back(known);
  }
  const auto nearest = NearestName(name, names);
  throw calib::InputError(
      fmt::format("--sort {}: expected date, element, batch, verdict, flow_area, half_angle or breakup{}",
                  name, nearest ? "; did you mean " + *nearest + "?" : ""));
}

std::string WithU(const std::optional<double>& value, const std::optional<double>& u) {
  if (!value) return "-";
  return ValueWithU(calib::Quantity{*value, u.value_or(0.0), {}, {}});
}

std::string Range(const std::optional<double>& lo, const std::optional<double>& hi, const char* format) {
  if (!lo || !hi) return "-";
  const std::string a = fmt::format(fmt::runtime(format), *lo), b = fmt::format(fmt::runtime(format), *hi);
  return a == b ? a : a + " to " + b;
}

std::string Listing(const std::vector<RunRow>& runs) {
  std::vector<std::vector<std::string>> rows{{"record", "date", "element", "batch", "verdict", "pts", "drop",
                                              "flow area", "Cd", "half angle", "breakup", "warnings"},
                                             {"", "", "", "", "", "", "bar", "mm2", "1", "deg", "mm", ""}};
  for (const RunRow& run : runs) {
    std::string remarks = run.flags;
    if (!run.counts)
      remarks = fmt::format("no longer counts: {} ({})", run.superseded_by.substr(0, 12), run.reason);
    rows.push_back({run.key.substr(0, 12), run.date.empty() ? "-" : run.date, run.element,
                    run.batch.empty() ? "-" : run.batch, run.verdict, fmt::format("{}", run.points),
                    Range(run.pressure_lo_bar, run.pressure_hi_bar, "{:.2f}"),
                    WithU(run.flow_area_mm2, run.u_flow_area_mm2), WithU(run.cd, run.u_cd),
                    Range(run.half_angle_lo_deg, run.half_angle_hi_deg, "{:.2f}"),
                    Range(run.breakup_lo_mm, run.breakup_hi_mm, "{:.1f}"), remarks});
  }
  return TextTable(rows);
}

}  // namespace

int List(const ListOptions& options) {
  const RunOrder order = OrderNamed(options.sort);
  for (const auto& output : {options.json, options.csv}) CheckOutput(output);
  const std::vector<RunRow> runs = FindRuns(options.archive, options.filter, order, options.descending);
  if (options.json) WriteOutput(*options.json, RunsJson(runs));
  if (options.csv) WriteOutput(*options.csv, RunsCsv(runs));
  if (!options.json && !options.csv && !options.quiet) {
    if (runs.empty())
      fmt::print("nothing on record{}\n", HasRuns(options.archive) ? " that fits" : "");
    else
      WriteOutput("-", Listing(runs));
  }
  FlushOutput();
  return 0;
}

}  // namespace conebook::src
