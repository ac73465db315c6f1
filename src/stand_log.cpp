#include "src/stand_log.h"

#include <algorithm>
#include <cmath>

#include <fmt/core.h>

#include <calib/error.h>

#include "src/csv_table.h"
#include "src/iso_date.h"
#include "src/log_columns.h"
#include "src/nearest_name.h"

namespace conebook::src {
namespace {

using calib::InputError;
using calib::Severity;

constexpr double kBarPerPsi = 0.0689475729317831;  // exact to double: 4.4482216152605 N / (25.4 mm)^2
constexpr double kLitrePerGallonUs = 3.785411784;  // exact

void ReadTimes(const CsvTable& table, LogColumn& column, StandLog& log) {
  const std::size_t index = column.index;
  const auto cell_at = [&](std::size_t row) {
    return index < table.rows[row].size() ? table.rows[row][index] : std::string();
  };
  if (column.unit_assumed && cell_at(0).find(':') != std::string::npos) {
    column.unit = "iso8601";
    column.unit_assumed = false;
  }
  for (std::size_t row = 0; row < table.rows.size(); ++row) {
    double time_s = 0.0;
    if (column.unit == "iso8601") {
      const auto clock = ClockTimeIn(cell_at(row));
      if (!clock) {
        throw InputError(
            fmt::format("{}, line {}: column {}: expected a time such as 2031-05-04T12:34:56.789, found "
                        "\"{}\"",
                        table.path, table.line[row], table.header[index], cell_at(row).substr(0, 40)));
      }
      if (row == 0) log.clock = clock;
      time_s = clock->epoch_s - log.clock->epoch_s;
    } else {
      time_s = NumberAt(table, row, index) * (column.unit == "ms" ? 1e-3 : 1.0);
    }
    if (!log.time_s.empty() && !(time_s > log.time_s.back())) {
      throw InputError(fmt::format(
          "{}, line {}: time {} {} the row before (line {}, {}); times must rise from row to row", table.path,
          table.line[row], cell_at(row), time_s == log.time_s.back() ? "repeats that of" : "is earlier than",
          table.line[row - 1], cell_at(row - 1)));
    }
    log.time_s.push_back(time_s);
  }
}

// A column in "epoch_s" may still start at nought.
std::optional<ClockTime> EpochClock(const LogColumn& column, const StandLog& log) {
  constexpr double kYear2000S = 946'684'800.0, kYear2200S = 7'258'118'400.0;
  if (column.unit != "epoch_s" || log.time_s.front() < kYear2000S || log.time_s.front() > kYear2200S)
    return std::nullopt;
  return ClockTime{0.0, ClockTime::Zone::kUtc, true};
}

// The day as the logger writes it.
std::string DateOf(const CsvTable& table, const LogColumn& column, const StandLog& log) {
  if (column.unit == "iso8601") return DayIn(table.rows.front()[column.index]).value_or("");
  return log.clock ? DayOfEpoch(log.time_s.front()) : "";
}

std::vector<double> ReadColumn(const CsvTable& table, const LogColumn& column, double factor) {
  std::vector<double> values;
  values.reserve(table.rows.size());
  for (std::size_t row = 0; row < table.rows.size(); ++row) {
    values.push_back(NumberAt(table, row, column.index) * factor);
  }
  return values;
}

void ReadLamp(const CsvTable& table, const std::string& name, LogColumns& columns, StandLog& log) {
  const auto index = table.Column(name);
  if (!index) {
    const auto nearest = NearestName(name, table.header);
    throw InputError(fmt::format("{}, line {}: no column {}, which the rig's [sync] lamp_column names{}",
                                 table.path, table.header_line, name,
                                 nearest ? "; the nearest is " + *nearest : std::string()));
  }
  LogColumn column;
  column.index = *index;
  log.lamp = ReadColumn(table, column, 1.0);
  std::erase(columns.ignored, name);
}

std::optional<char> StatedDelimiter(const LogKeys& keys) {
  if (!keys.delimiter) return std::nullopt;
  if (*keys.delimiter == "tab" || *keys.delimiter == "\\t") return '\t';
  if (keys.delimiter->size() != 1) {
    throw InputError(
        fmt::format("[log] delimiter: expected one character (or \"tab\"), found \"{}\"", *keys.delimiter));
  }
  return keys.delimiter->front();
}

const char* InWords(char sign) {
  switch (sign) {
    case ',':
      return "comma";
    case ';':
      return "semicolon";
    case '\t':
      return "tab";
    case '|':
      return "bar";
    case ' ':
      return "blanks";
    case '.':
      return "point";
    default:
      return "other";
  }
}

void Say(const CsvTable& table, const LogColumns& columns, StandLog& log) {
  const auto describe = [&](const LogColumn& column) {
    return fmt::format("{} in {}{}", table.header[column.index], column.unit,
                       column.unit_assumed ? " (assumed)" : "");
  };
  log.found = fmt::format(
      "time: {}; pressure: {}; flow: {}; temperature: {}; delimiter: {}; decimal sign: {}",
      describe(columns.time), describe(columns.pressure), columns.flow ? describe(*columns.flow) : "none",
      columns.temperature ? table.header[columns.temperature->index] : "none", InWords(table.delimiter),
      InWords(table.decimal));
  if (table.lines_before > 0) log.found += fmt::format("; lines before the header: {}", table.lines_before);
  log.flags.push_back({"log_columns", Severity::kInfo, std::nullopt, std::nullopt,
                       fmt::format("the log was read as: {}", log.found), ""});
  if (columns.time.unit == "iso8601") {
    log.flags.push_back(
        {"log_time_from_first_row", Severity::kInfo, std::nullopt, std::nullopt,
         "log times are clock times; all log times here are seconds since the log's first row", ""});
  }
  if (!columns.ignored.empty()) {
    std::string names;
    for (const std::string& name : columns.ignored) names += (names.empty() ? "" : ", ") + name;
    log.flags.push_back({"log_columns_ignored", Severity::kInfo, std::nullopt, std::nullopt,
                         "columns of the log that were not used: " + names, ""});
  }
  const auto warn_unit = [&](const LogColumn& column, const char* what, const char* quantity) {
    if (!column.unit_assumed) return;
    log.flags.push_back({std::string(what) + "_unit_assumed", Severity::kWarn, std::nullopt,
                         std::string(quantity),
                         fmt::format("neither the rig nor the column's name {} says its unit: {} was assumed",
                                     table.header[column.index], column.unit),
                         fmt::format("state [log] {}_unit in the rig", what)});
  };
  warn_unit(columns.pressure, "pressure", "pressure_bar");
  if (columns.flow) warn_unit(*columns.flow, "flow", "flow_kg_s");
}

}  // namespace

double ToBar(const std::string& unit) {
  if (unit == "kpa") return 0.01;
  if (unit == "mpa") return 10.0;
  if (unit == "psi") return kBarPerPsi;
  return 1.0;
}

std::pair<FlowKind, double> ToFlow(const std::string& unit) {
  if (unit == "kg_s") return {FlowKind::kMassKgS, 1.0};
  if (unit == "g_s") return {FlowKind::kMassKgS, 1e-3};
  if (unit == "ml_s") return {FlowKind::kVolumeLS, 1e-3};
  if (unit == "gal_us_min") return {FlowKind::kVolumeLS, kLitrePerGallonUs / 60.0};
  if (unit == "pulse_hz") return {FlowKind::kPulseHz, 1.0};
  return {FlowKind::kVolumeLS, 1.0 / 60.0};
}

double StandLog::MedianInterval_s() const {
  if (time_s.size() < 2) return 0.0;
  std::vector<double> steps;
  for (std::size_t i = 1; i < time_s.size(); ++i) steps.push_back(time_s[i] - time_s[i - 1]);
  const auto middle = steps.begin() + static_cast<std::ptrdiff_t>(steps.size() / 2);
  std::nth_element(steps.begin(), middle, steps.end());
  return *middle;
}

StandLog ReadStandLog(const std::string& path, const LogKeys& keys,
                      const std::optional<std::string>& lamp_column) {
  CsvOptions options;
  options.delimiter = StatedDelimiter(keys);
  if (keys.decimal) options.decimal = keys.decimal->front();
  options.could_be_header = [&](const std::vector<std::string>& names) {
    return CouldBeLogHeader(names, keys);
  };
  const CsvTable table = ReadCsv(path, options);
  LogColumns columns = FindLogColumns(table, keys);
  StandLog log;
  log.path = path;
  ReadTimes(table, columns.time, log);
  if (!log.clock) log.clock = EpochClock(columns.time, log);
  log.date = DateOf(table, columns.time, log);
  log.pressure_bar = ReadColumn(table, columns.pressure, ToBar(columns.pressure.unit));
  if (columns.flow) {
    const auto [kind, factor] = ToFlow(columns.flow->unit);
    log.flow_kind = kind;
    log.flow = ReadColumn(table, *columns.flow, factor);
  }
  if (columns.temperature) log.temperature_c = ReadColumn(table, *columns.temperature, 1.0);
  if (lamp_column) ReadLamp(table, *lamp_column, columns, log);
  if (log.Rows() < 2) throw InputError(path + ": the log has a single row; expected a series of readings");
  Say(table, columns, log);
  return log;
}

}  // namespace conebook::src
