#include "src/log_columns.h"

#include <algorithm>
#include <cctype>
#include <utility>

#include <fmt/core.h>

#include <calib/error.h>

#include "src/nearest_name.h"

namespace conebook::src {
namespace {

using Names = std::vector<std::string>;

struct Role {
  const char* key;  // of [log]
  Names preferred;  // the contract's default names, best first
  Names words;      // a column whose name has one of these words may be meant
  std::vector<std::pair<std::string, std::string>> unit_words;  // in the name -> unit of the contract
  const char* assumed_unit;
};

const Role kTime{"time",
                 {"time_s"},
                 {"time", "timestamp", "epoch"},
                 {{"ms", "ms"},
                  {"epoch_s", "epoch_s"},
                  {"epoch", "epoch_s"},
                  {"iso8601", "iso8601"},
                  {"iso", "iso8601"},
                  {"s", "s"},
                  {"sec", "s"},
                  {"seconds", "s"}},
                 "s"};
const Role kPressure{"pressure",
                     {"pressure_bar"},
                     {"pressure", "press", "p"},
                     {{"kpa", "kpa"},
                      {"mpa", "mpa"},
                      {"psi", "psi"},
                      {"psig", "psi"},
                      {"psia", "psi"},
                      {"bar", "bar"},
                      {"barg", "bar"},
                      {"bara", "bar"}},
                     "bar"};
const Role kFlow{"flow",
                 {"flow_kg_s", "flow_lpm", "pulse_hz"},
                 {"flow", "flowrate", "mdot", "pulse", "pulses"},
                 {{"gal_us_min", "gal_us_min"},
                  {"gpm", "gal_us_min"},
                  {"ml_s", "ml_s"},
                  {"kg_s", "kg_s"},
                  {"g_s", "g_s"},
                  {"lpm", "l_min"},
                  {"l_min", "l_min"},
                  {"pulse_hz", "pulse_hz"},
                  {"hz", "pulse_hz"}},
                 "l_min"};
const Role kTemperature{"temperature", {"temperature_c", "temp_c"}, {}, {}, ""};

// Units that others use and we do not: taking them for the default would be wrong by powers of ten.
const Names kForeignUnits{"mbar", "pa",  "hpa", "atm",  "torr",   "us",   "min",
                          "h",    "l_h", "l_s", "m3_h", "kg_min", "kg_h", "cc_s"};

// "Pressure [kPa]" -> "pressure_kpa"
std::string Normalised(const std::string& name) {
  std::string result;
  for (const char c : name) {
    const auto u = static_cast<unsigned char>(c);
    if (std::isalnum(u) != 0) {
      result += static_cast<char>(std::tolower(u));
    } else if (!result.empty() && result.back() != '_') {
      result += '_';
    }
  }
  while (!result.empty() && result.back() == '_') result.pop_back();
  return result;
}

bool HasWord(const std::string& name, const std::string& word) {
  return fmt::format("_{}_", Normalised(name)).find(fmt::format("_{}_", word)) != std::string::npos;
}

std::string List(const Names& names) {
  std::string result;
  for (const std::string& name : names) result += (result.empty() ? "" : ", ") + name;
  return result;
}

void SetUnit(const CsvTable& table, const Role& role, const std::optional<std::string>& stated,
             LogColumn& column) {
  const std::string& name = table.header[column.index];
  if (stated) {
    column.unit = *stated;
    return;
  }
  for (const auto& [word, unit] : role.unit_words) {
    if (HasWord(name, word)) {
      column.unit = unit;
      return;
    }
  }
  for (const std::string& foreign : kForeignUnits) {
    if (HasWord(name, foreign)) {
      throw calib::InputError(
          fmt::format("{}, line {}: column {}: unit {} is not one of those understood; convert the "
                      "column, or say its unit with [log] {}_unit in the rig",
                      table.path, table.header_line, name, foreign, role.key));
    }
  }
  column.unit = role.assumed_unit;
  column.unit_assumed = true;
}

std::optional<LogColumn> Find(const CsvTable& table, const Role& role,
                              const std::optional<std::string>& stated_name,
                              const std::optional<std::string>& stated_unit) {
  LogColumn column;
  if (stated_name) {
    const auto index = table.Column(*stated_name);
    if (!index) {
      const auto nearest = NearestName(*stated_name, table.header);
      throw calib::InputError(fmt::format("{}, line {}: no column {}, which the rig's [log] {} names{}",
                                          table.path, table.header_line, *stated_name, role.key,
                                          nearest ? "; the nearest is " + *nearest : std::string()));
    }
    column.index = *index;
    SetUnit(table, role, stated_unit, column);
    return column;
  }
  for (const std::string& name : role.preferred) {
    if (const auto index = table.Column(name)) {
      column.index = *index;
      SetUnit(table, role, stated_unit, column);
      return column;
    }
  }
  Names candidates;
  for (std::size_t i = 0; i < table.header.size(); ++i) {
    const bool alike = std::any_of(role.words.begin(), role.words.end(),
                                   [&](const std::string& word) { return HasWord(table.header[i], word); });
    if (!alike) continue;
    candidates.push_back(table.header[i]);
    column.index = i;
  }
  if (candidates.size() > 1) {
    throw calib::InputError(
        fmt::format("{}, line {}: {} columns could be the {}: {}; say which with [log] {} in the rig",
                    table.path, table.header_line, candidates.size(), role.key, List(candidates), role.key));
  }
  if (candidates.empty()) return std::nullopt;
  SetUnit(table, role, stated_unit, column);
  return column;
}

[[noreturn]] void RefuseMissing(const CsvTable& table, const Role& role) {
  std::optional<std::string> nearest = NearestName(role.preferred.front(), table.header);
  const std::string wanted =
      role.preferred.size() > 1 ? "one of " + List(role.preferred) : role.preferred.front();
  throw calib::InputError(
      fmt::format("{}, line {}: no {} column; expected {}, found {}{}; name the column with [log] {} "
                  "in the rig{}",
                  table.path, table.header_line, role.key, wanted, List(table.header),
                  nearest ? " (nearest: " + *nearest + ")" : std::string(), role.key,
                  role.key == kFlow.key ? ", or say flow = \"\" when there is none" : ""));
}

}  // namespace

bool CouldBeLogHeader(const std::vector<std::string>& names, const LogKeys& keys) {
  const auto may_be = [&](const Role& role, const std::optional<std::string>& stated) {
    return std::any_of(names.begin(), names.end(), [&](const std::string& name) {
      if (stated) return name == *stated;
      return std::find(role.preferred.begin(), role.preferred.end(), name) != role.preferred.end() ||
             std::any_of(role.words.begin(), role.words.end(),
                         [&](const std::string& word) { return HasWord(name, word); });
    });
  };
  return may_be(kTime, keys.time) && may_be(kPressure, keys.pressure);
}

LogColumns FindLogColumns(const CsvTable& table, const LogKeys& keys) {
  LogColumns columns;
  const auto time = Find(table, kTime, keys.time, keys.time_unit);
  if (!time) RefuseMissing(table, kTime);
  columns.time = *time;
  const auto pressure = Find(table, kPressure, keys.pressure, keys.pressure_unit);
  if (!pressure) RefuseMissing(table, kPressure);
  columns.pressure = *pressure;
  if (keys.flow != "") {
    columns.flow = Find(table, kFlow, keys.flow, keys.flow_unit);
    if (!columns.flow) RefuseMissing(table, kFlow);
  }
  columns.temperature = Find(table, kTemperature, keys.temperature, std::string("c"));
  for (std::size_t i = 0; i < table.header.size(); ++i) {
    const bool used = i == columns.time.index || i == columns.pressure.index ||
                      (columns.flow && i == columns.flow->index) ||
                      (columns.temperature && i == columns.temperature->index);
    if (!used) columns.ignored.push_back(table.header[i].empty() ? "(no name)" : table.header[i]);
  }
  return columns;
}

}  // namespace conebook::src
