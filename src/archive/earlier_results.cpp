#include "src/archive/earlier_results.h"

#include <algorithm>
#include <array>
#include <filesystem>
#include <map>
#include <set>

#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include <calib/error.h>

#include "src/discharge.h"
#include "src/iso_date.h"
#include "src/sha256.h"
#include "src/stand_log.h"

namespace conebook::src {
namespace {

using calib::InputError;
using Json = nlohmann::json;

// Where a table states no u: what a careful reader would grant it.
constexpr double kAngleAssumedUDeg = 1.0;
constexpr double kBreakupAssumedShare = 0.10;

struct UnitColumn {
  const char* name;
  const char* unit;
};
constexpr std::array<UnitColumn, 4> kPressure{
    {{"pressure_bar", "bar"}, {"pressure_kpa", "kpa"}, {"pressure_mpa", "mpa"}, {"pressure_psi", "psi"}}};
constexpr std::array<UnitColumn, 5> kFlow{{{"flow_kg_s", "kg_s"},
                                           {"flow_g_s", "g_s"},
                                           {"flow_l_min", "l_min"},
                                           {"flow_lpm", "l_min"},
                                           {"flow_ml_s", "ml_s"}}};

template <std::size_t N>
std::optional<UnitColumn> Present(const CsvTable& table, const std::array<UnitColumn, N>& names) {
  std::optional<UnitColumn> found;
  for (const UnitColumn& column : names) {
    if (!table.Column(column.name)) continue;
    if (found)
      throw InputError(fmt::format("{}, line {}: both {} and {}; one column for each quantity", table.path,
                                   table.header_line, found->name, column.name));
    found = column;
  }
  return found;
}

class Table {
 public:
  explicit Table(const CsvTable& table)
      : table_(table), pressure_(Present(table, kPressure)), flow_(Present(table, kFlow)) {}

  std::string Text(std::size_t row, const std::string& column) const {
    const auto index = table_.Column(column);
    return index && *index < table_.rows[row].size() ? table_.rows[row][*index] : std::string();
  }

  std::optional<double> Number(std::size_t row, const std::string& column, bool above_zero = true) const {
    if (Text(row, column).empty()) return std::nullopt;
    const double value = NumberAt(table_, row, *table_.Column(column));
    if (above_zero && !(value > 0.0))
      throw InputError(
          fmt::format("{}: column {}: expected a number above zero, found {:g}", Place(row), column, value));
    return value;
  }

  std::string Place(std::size_t row) const {
    return fmt::format("{}, line {}", table_.path, table_.line[row]);
  }

  PointReading Reading(std::size_t row) const {
    const double to_bar = ToBar(pressure_->unit);
    const auto pressure = Number(row, pressure_->name);
    if (!pressure)
      throw InputError(
          fmt::format("{}: column {}: empty; each row is a pressure point", Place(row), pressure_->name));
    PointReading reading;
    reading.pressure_bar = *pressure * to_bar;
    if (const auto u = Number(row, std::string("u_") + pressure_->name)) reading.u_pressure_bar = *u * to_bar;
    if (flow_) {
      if (const auto flow = Number(row, flow_->name)) {
        const auto [kind, factor] = ToFlow(flow_->unit);
        reading.flow_kind = kind;
        reading.flow = *flow * factor;
        if (const auto u = Number(row, std::string("u_") + flow_->name))
          reading.flow_shares = {{"flow reading", *u / *flow, calib::Shared::kFrames}};
      }
    }
    reading.temperature_c = Number(row, "temperature_c", false);
    return reading;
  }

  std::vector<std::string> Ignored() const {
    std::set<std::string> used{"element",
                               "batch",
                               "date",
                               "liquid",
                               "temperature_c",
                               "half_angle_deg",
                               "breakup_mm",
                               "u_half_angle_deg",
                               "u_breakup_mm",
                               "notes",
                               "exit_diameter_mm"};
    for (const auto& column : {pressure_, flow_}) {
      if (!column) continue;
      used.insert(column->name);
      used.insert(std::string("u_") + column->name);
    }
    std::vector<std::string> ignored;
    for (const std::string& name : table_.header) {
      if (!used.contains(name)) ignored.push_back(name);
    }
    return ignored;
  }

 private:
  const CsvTable& table_;
  std::optional<UnitColumn> pressure_, flow_;
};

Json FromQuantity(const calib::Quantity& quantity) {
  const calib::Interval interval = calib::Interval95(quantity);
  Json json{{"value", quantity.value}, {"u", quantity.u}, {"lo95", interval.lo}, {"hi95", interval.hi}};
  for (const calib::Contribution& part : quantity.budget)
    json["budget"].push_back(
        {{"source", part.source}, {"u", part.u}, {"shared", calib::NameOf(part.shared)}});
  return json;
}

Json Stated(double value, const std::optional<double>& u, double assumed_u, const char* assumed) {
  const std::string source = u ? "as the table states" : assumed;
  return FromQuantity(calib::Combine(value, {{source, u.value_or(assumed_u), calib::Shared::kDay}}));
}

Rig RigFor(const Table& table, std::size_t row) {
  Rig rig;
  rig.path = table.Place(row);
  if (const std::string liquid = table.Text(row, "liquid"); !liquid.empty()) rig.stand.liquid = liquid;
  // Cd needs an area; without an exit diameter it is left out again below.
  const auto exit = table.Number(row, "exit_diameter_mm");
  rig.view.exit_diameter_mm = {exit.value_or(1.0), 0.005 * exit.value_or(1.0)};
  return rig;
}

Json PointOf(const Table& table, std::size_t row) {
  const Rig rig = RigFor(table, row);
  const Discharge discharge = ComputeDischarge(rig, {table.Reading(row)});
  const PointDischarge& from = discharge.points.front();
  Json point{{"pressure_bar", FromQuantity(*from.pressure_bar)}, {"temperature_c", from.temperature_c}};
  if (from.flow_kg_s) point["flow_kg_s"] = FromQuantity(*from.flow_kg_s);
  if (from.flow_area_mm2) point["flow_area_mm2"] = FromQuantity(*from.flow_area_mm2);
  if (from.cd && !table.Text(row, "exit_diameter_mm").empty()) {
    point["cd"] = FromQuantity(from.cd->cd);
    point["cd"]["area"] = from.cd->area;
    point["cd"]["area_mm2"] = FromQuantity(from.cd->area_mm2);
  }
  if (const auto angle = table.Number(row, "half_angle_deg"))
    point["half_angle_deg"]["mean"] =
        Stated(*angle, table.Number(row, "u_half_angle_deg"), kAngleAssumedUDeg, "assumed 1 deg");
  if (const auto breakup = table.Number(row, "breakup_mm"))
    point["breakup_mm"] =
        Stated(*breakup, table.Number(row, "u_breakup_mm"), kBreakupAssumedShare * *breakup, "assumed 10 %");
  if (const std::string notes = table.Text(row, "notes"); !notes.empty()) point["notes"] = notes;
  point["liquid"] = rig.stand.liquid.value_or("water (assumed)");
  return point;
}

}  // namespace

bool LooksLikeEarlierResults(const CsvTable& table) {
  return table.Column("element").has_value() &&
         std::any_of(kPressure.begin(), kPressure.end(),
                     [&](const UnitColumn& column) { return table.Column(column.name).has_value(); });
}

EarlierResults ReadEarlierResults(const CsvTable& csv) {
  const Table table(csv);
  EarlierResults results;
  results.ignored = table.Ignored();
  std::map<std::pair<std::string, std::string>, Json> records;
  for (std::size_t row = 0; row < csv.rows.size(); ++row) {
    const std::string element = table.Text(row, "element"), date = table.Text(row, "date");
    if (element.empty())
      throw InputError(table.Place(row) + ": column element: empty; each row says which element it is about");
    if (!date.empty()) StatedDay(date, table.Place(row) + ": column date");
    Json& record = records[{element, date}];
    if (record.is_null()) {
      record = {
          {"schema", kImportedSchema},
          {"origin", "imported"},
          {"element", element},
          {"batch", table.Text(row, "batch")},
          {"date", date.empty() ? Json(nullptr) : Json(date)},
          {"source",
           {{"name", std::filesystem::path(csv.path).filename().string()}, {"sha256", FileSha256(csv.path)}}},
          {"flags", Json::array()},
          {"points", Json::array()}};
    }
    record["points"].push_back(PointOf(table, row));
    ++results.points;
  }
  for (const auto& [key, json] : records) results.records.push_back(MakeRecord(json.dump(), {}));
  return results;
}

}  // namespace conebook::src
