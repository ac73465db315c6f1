#include "src/archive/element_page.h"

#include <algorithm>
#include <map>

#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include <calib/error.h>

#include "src/archive/archive.h"
#include "src/archive/run_record.h"

namespace conebook::src {
namespace {

using Json = nlohmann::json;

std::string WithBlanks(std::string name) {
  std::replace(name.begin(), name.end(), '_', ' ');
  return name;
}

std::optional<calib::Quantity> QuantityAt(const Json& json, const char* pointer) {
  const Json::json_pointer at(pointer);
  if (!json.contains(at) || !json.at(at).is_object()) return std::nullopt;
  return calib::Quantity{json.at(at).at("value").get<double>(),
                         json.at(at).at("u").get<double>(),
                         std::numeric_limits<double>::infinity(),
                         {}};
}

std::string WhyNot(const std::string& archive, const RunRow& row) {
  const Json by = Json::parse(ReadRecord(archive, row.superseded_by, false).json);
  if (by.value("schema", "") == kWithdrawnSchema) return "withdrawn: " + row.reason;
  return "superseded by " + row.superseded_by.substr(0, 12) + ": " + row.reason;
}

void AddEarlier(const std::string& text, ElementReport& report) {
  const Json json = Json::parse(text);
  for (const Json& from : json.at("points")) {
    EarlierPoint point;
    if (json.contains("date") && json["date"].is_string()) point.date = json["date"].get<std::string>();
    point.source = json.value("/source/name"_json_pointer, std::string());
    point.pressure_bar = QuantityAt(from, "/pressure_bar");
    point.flow_kg_s = QuantityAt(from, "/flow_kg_s");
    point.flow_area_mm2 = QuantityAt(from, "/flow_area_mm2");
    point.cd = QuantityAt(from, "/cd");
    point.half_angle_deg = QuantityAt(from, "/half_angle_deg/mean");
    point.liquid = from.value("liquid", "");
    if (from.contains("temperature_c")) point.temperature_c = from["temperature_c"].get<double>();
    report.earlier.push_back(std::move(point));
  }
}

}  // namespace

std::vector<ElementFact> FactsInWords(const std::vector<FactRow>& rows) {
  std::map<std::pair<std::string, std::string>, std::string> u_of;  // of a name in a record
  for (const FactRow& row : rows) {
    if (row.name.rfind("u_", 0) == 0) u_of[{row.name.substr(2), row.key}] = row.value;
  }
  std::vector<ElementFact> facts;
  for (const FactRow& row : rows) {
    if (row.name.rfind("u_", 0) == 0) continue;
    std::string name = row.name, unit;
    if (name.size() > 3 && name.compare(name.size() - 3, 3, "_mm") == 0) {
      name.resize(name.size() - 3);
      unit = " mm";
    }
    ElementFact fact;
    fact.name = WithBlanks(name);
    fact.value = (unit.empty() && name != "notes" ? WithBlanks(row.value) : row.value) + unit;
    if (const auto u = u_of.find({row.name, row.key}); u != u_of.end())
      fact.value += fmt::format(", u {}{}", u->second, unit);
    fact.from = row.source + (row.source.empty() || row.date.empty() ? "" : ", ") + row.date;
    fact.disputed = row.disputed;
    // The same said twice is said once.
    const bool said = std::any_of(facts.begin(), facts.end(), [&](const ElementFact& other) {
      return other.name == fact.name && other.value == fact.value;
    });
    if (!said) facts.push_back(std::move(fact));
  }
  return facts;
}

StockEvent StockInWords(const StockRow& row) {
  StockEvent event{row.date, WithBlanks(row.state), ""};
  const auto add = [&](const std::string& words) {
    event.words += (event.words.empty() ? "" : ", ") + words;
  };
  if (!row.plate.empty()) add("plate " + row.plate);
  if (!row.position.empty()) add("position " + row.position);
  if (row.firings) add(fmt::format("{} firing{}", *row.firings, *row.firings == 1 ? "" : "s"));
  if (!row.note.empty()) add(row.note);
  return event;
}

ElementReport GatherElement(const std::string& archive, const std::string& element) {
  ElementReport report;
  report.element = element;
  const std::vector<FactRow> facts = FindFacts(archive, element);
  report.facts = FactsInWords(facts);
  for (const FactRow& row : facts) {
    if (row.name == "batch") report.batch = row.value;
  }
  for (const StockRow& row : FindStock(archive, element)) report.stock.push_back(StockInWords(row));
  RunFilter filter;
  filter.elements = {element};
  filter.superseded = true;
  const std::vector<RunRow> rows = FindRuns(archive, filter);
  std::vector<std::string> keys;
  for (const RunRow& row : rows) keys.push_back(row.key);
  const std::vector<std::string> texts = ReadRecords(archive, keys);
  const EvidenceReader evidence = EvidenceOf(archive);
  for (std::size_t i = 0; i < rows.size(); ++i) {
    if (rows[i].origin == "imported") {
      if (rows[i].counts) AddEarlier(texts[i], report);
      continue;
    }
    ElementRun run{rows[i].key.substr(0, 12), rows[i].date, RunFromRecord(texts[i], evidence), ""};
    if (!rows[i].counts) run.superseded_by = WhyNot(archive, rows[i]);
    if (report.batch.empty()) report.batch = rows[i].batch;
    report.runs.push_back(std::move(run));
  }
  if (report.runs.empty() && report.earlier.empty() && report.facts.empty() && report.stock.empty())
    throw calib::InputError(
        fmt::format("nothing is on record of element {} in {} (see conebook list)", element, archive));
  return report;
}

}  // namespace conebook::src
