#include "src/archive/element_table.h"

#include <algorithm>
#include <filesystem>
#include <map>
#include <set>

#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include <calib/error.h>

#include "src/archive/archive.h"
#include "src/archive/query.h"
#include "src/iso_date.h"
#include "src/nearest_name.h"
#include "src/output_file.h"
#include "src/sha256.h"

namespace conebook::src {
namespace {

using calib::InputError;
using Json = nlohmann::json;

const std::vector<std::string> kTextFacts{"batch",   "kind",  "route",      "material",
                                          "drawing", "notes", "measured_by"};
const std::vector<std::string> kLengthFacts{"inlet_diameter_mm",   "inlet_edge_radius_mm",
                                            "chamber_diameter_mm", "chamber_length_mm",
                                            "exit_diameter_mm",    "exit_length_mm"};
const std::vector<std::string> kStockColumns{"state", "date", "plate", "position", "firings", "state_note"};
const std::vector<std::string> kStates{"in_stock", "reserved", "fitted", "fired", "cleaned", "scrapped"};
const std::vector<std::string> kKinds{"swirl", "plain_orifice", "plate"};

bool Has(const std::vector<std::string>& list, const std::string& name) {
  return std::find(list.begin(), list.end(), name) != list.end();
}

bool IsNumberFact(const std::string& name) {
  if (name == "inlet_count" || Has(kLengthFacts, name)) return true;
  return name.rfind("u_", 0) == 0 && Has(kLengthFacts, name.substr(2));
}

bool IsFact(const std::string& name) {
  return Has(kTextFacts, name) || IsNumberFact(name);
}

std::string Joined(const std::vector<std::string>& names) {
  std::string text;
  for (const std::string& name : names) text += (text.empty() ? "" : ", ") + name;
  return text;
}

class Row {
 public:
  Row(const CsvTable& table, std::size_t row) : table_(table), row_(row) {}

  std::string Place() const { return fmt::format("{}, line {}", table_.path, table_.line[row_]); }

  std::string Cell(const std::string& column) const {
    const auto index = table_.Column(column);
    return index && *index < table_.rows[row_].size() ? table_.rows[row_][*index] : std::string();
  }

  double Number(const std::string& column) const {
    const double value = NumberAt(table_, row_, *table_.Column(column));
    const bool may_be_zero = column.rfind("u_", 0) == 0 || column == "inlet_edge_radius_mm";
    if (value < 0.0 || (value == 0.0 && !may_be_zero))
      throw InputError(
          fmt::format("{}: column {}: expected a number above zero, found {:g}", Place(), column, value));
    return value;
  }

  int Count(const std::string& column) const {
    const double value = Number(column);
    if (value != static_cast<double>(static_cast<int>(value)))
      throw InputError(
          fmt::format("{}: column {}: expected a whole number, found {:g}", Place(), column, value));
    return static_cast<int>(value);
  }

 private:
  const CsvTable& table_;
  std::size_t row_;
};

Json FactsOf(const Row& row, const CsvTable& table) {
  Json facts = Json::object();
  for (const std::string& name : table.header) {
    const std::string cell = row.Cell(name);
    if (cell.empty() || !IsFact(name)) continue;
    if (name == "kind" && !Has(kKinds, cell))
      throw InputError(fmt::format("{}: column kind: expected one of {}, found \"{}\"", row.Place(),
                                   Joined(kKinds), cell));
    if (name == "inlet_count")
      facts[name] = row.Count(name);
    else if (IsNumberFact(name))
      facts[name] = row.Number(name);
    else
      facts[name] = cell;
  }
  return facts;
}

std::string AsText(const Json& value) {
  return value.is_string() ? value.get<std::string>() : value.dump();
}

// What the archive says of an element: by name, each with what is said, and the records that say it.
struct Known {
  std::map<std::string, std::set<std::string>> values;
  std::set<std::string> records;
};

Known KnownOf(const std::vector<FactRow>& rows) {
  Known known;
  for (const FactRow& row : rows) {
    known.values[row.name].insert(row.value);
    known.records.insert(row.key);
  }
  return known;
}

std::optional<Record> FactsRecord(const Row& row, const std::string& element, const Json& facts,
                                  const Known& known, const std::vector<Record>& texts,
                                  const std::string& reason, const Json& source, const std::string& today) {
  Json fresh = Json::object();
  std::vector<std::string> changed;
  for (const auto& [name, value] : facts.items()) {
    const auto found = known.values.find(name);
    if (found == known.values.end())
      fresh[name] = value;
    else if (found->second != std::set<std::string>{AsText(value)})
      changed.push_back(fmt::format("{} is {} on record, the table says {}", name,
                                    Joined({found->second.begin(), found->second.end()}), AsText(value)));
  }
  if (fresh.empty() && changed.empty()) return std::nullopt;
  if (!changed.empty() && reason.empty())
    throw InputError(fmt::format("{}: element {}: {}; give --reason TEXT to put the correction on record",
                                 row.Place(), element, changed.front()));
  if (!changed.empty()) {
    for (const auto& [name, values] : known.values) {
      if (values.size() > 1 && !facts.contains(name))
        throw InputError(
            fmt::format("{}: element {}: {} is disputed on record ({}); a correction must say it too",
                        row.Place(), element, name, Joined({values.begin(), values.end()})));
    }
  }
  Json json{{"schema", kElementSchema}, {"element", element}, {"date", today}, {"source", source}};
  std::vector<Superseding> supersedes;
  if (changed.empty()) {
    json["facts"] = fresh;
  } else {
    // The new record says all that holds, so that nothing is lost with those it stands for.
    json["facts"] = Json::object();
    for (const Record& text : texts) json["facts"].update(Json::parse(text.json).at("facts"));
    json["facts"].update(facts);
    for (const std::string& key : known.records) supersedes.push_back({key, reason});
  }
  return MakeRecord(json.dump(), {}, supersedes);
}

}  // namespace

void CheckStockMove(const StockMove& move, const std::string& place) {
  if (!Has(kStates, move.state)) {
    const auto nearest = NearestName(move.state, kStates);
    throw InputError(fmt::format("{}: state \"{}\" is not known; expected one of {}{}", place, move.state,
                                 Joined(kStates), nearest ? "; did you mean " + *nearest + "?" : ""));
  }
  StatedDay(move.date, place + ": date");
  if (move.state == "fitted" && move.plate.empty())
    throw InputError(fmt::format("{}: an element that is fitted needs a plate", place));
  if (move.firings && *move.firings < 1)
    throw InputError(fmt::format("{}: firings: expected 1 or more, found {}", place, *move.firings));
}

std::optional<Record> StockRecord(const std::string& archive, const StockMove& move) {
  int sequence = 1;
  if (std::filesystem::exists(archive)) {
    const std::vector<StockRow> history = FindStock(archive, move.element);
    if (!history.empty()) {
      const StockRow& last = history.back();
      // Firing and cleaning happen again and again; a place is a place.
      const bool again = move.state == "fired" || move.state == "cleaned";
      const bool same = last.state == move.state && last.plate == move.plate &&
                        last.position == move.position && last.firings == move.firings;
      if (same && (!again || last.date == move.date)) return std::nullopt;
      sequence = last.sequence + 1;
    }
  }
  Json json{{"schema", kStockSchema},
            {"element", move.element},
            {"state", move.state},
            {"date", move.date},
            {"sequence", sequence}};
  if (!move.plate.empty()) json["plate"] = move.plate;
  if (!move.position.empty()) json["position"] = move.position;
  if (move.firings) json["firings"] = *move.firings;
  if (!move.note.empty()) json["note"] = move.note;
  return MakeRecord(json.dump(), {});
}

bool LooksLikeElementTable(const CsvTable& table) {
  if (!table.Column("element")) return false;
  return std::any_of(table.header.begin(), table.header.end(),
                     [](const std::string& name) { return IsFact(name) || name == "state"; });
}

ElementTable ReadElementTable(const std::string& archive, const CsvTable& table, const std::string& reason,
                              const std::string& today) {
  ElementTable result;
  for (const std::string& name : table.header) {
    if (name != "element" && !IsFact(name) && !Has(kStockColumns, name)) result.ignored.push_back(name);
  }
  const bool exists = std::filesystem::exists(archive);
  const Json source{{"name", std::filesystem::path(table.path).filename().string()},
                    {"sha256", FileSha256(table.path)}};
  std::map<std::string, int> line_of;
  for (std::size_t i = 0; i < table.rows.size(); ++i) {
    const Row row(table, i);
    const std::string element = row.Cell("element");
    if (element.empty())
      throw InputError(row.Place() + ": column element: empty; each row says which element it is about");
    if (const auto [known, fresh] = line_of.emplace(element, table.line[i]); !fresh)
      throw InputError(fmt::format("{}: element {} stands in line {} too; one row an element", row.Place(),
                                   element, known->second));
    ++result.elements;
    const Json facts = FactsOf(row, table);
    const Known known = exists ? KnownOf(FindFacts(archive, element)) : Known();
    std::vector<Record> texts;
    for (const std::string& key : known.records) texts.push_back(ReadRecord(archive, key, false));
    if (auto record = FactsRecord(row, element, facts, known, texts, reason, source, today))
      result.records.push_back(std::move(*record));
    if (const std::string state = row.Cell("state"); !state.empty()) {
      StockMove move{element,
                     state,
                     row.Cell("date").empty() ? today : row.Cell("date"),
                     row.Cell("plate"),
                     row.Cell("position"),
                     row.Cell("state_note"),
                     std::nullopt};
      if (!row.Cell("firings").empty()) move.firings = row.Count("firings");
      CheckStockMove(move, row.Place());
      if (auto record = StockRecord(archive, move)) result.records.push_back(std::move(*record));
    }
  }
  return result;
}

}  // namespace conebook::src
