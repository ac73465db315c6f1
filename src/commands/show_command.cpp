#include <cstdio>

#include <fmt/core.h>
#include <nlohmann/json.hpp>

#include <calib/error.h>

#include "src/archive/archive.h"
#include "src/archive/element_page.h"
#include "src/archive/export.h"
#include "src/archive/run_record.h"
#include "src/commands/archive_commands.h"
#include "src/commands/output.h"
#include "src/summary.h"
#include "src/text_table.h"

namespace conebook::src {
namespace {

using Json = nlohmann::json;

std::string Words(const Json& json, const char* key) {
  return json.contains(key) && json[key].is_string() ? json[key].get<std::string>() : std::string();
}

// What a record says beside its numbers: where it came from and what became of it.
void PrintOrigin(const std::string& archive, const std::string& key, const Json& json) {
  fmt::print("record {}\n", key);
  const auto line = [](const char* name, const std::string& text) {
    if (!text.empty()) fmt::print("  {:<12} {}\n", name, text);
  };
  if (json.contains("footage") && json["footage"].is_object())
    line("footage", Words(json["footage"], "path") + "  SHA-256 " + Words(json["footage"], "sha256"));
  const Json::json_pointer log("/inputs/log"), rig("/inputs/rig");
  if (json.contains(log) && json.at(log).is_object())
    line("stand log", Words(json.at(log), "path") + "  SHA-256 " + Words(json.at(log), "sha256"));
  if (json.contains(rig) && json.at(rig).is_object())
    line("rig", Words(json.at(rig), "path") + "  SHA-256 " + Words(json.at(rig), "sha256"));
  if (json.contains("source"))
    line("source", Words(json["source"], "name") + "  SHA-256 " + Words(json["source"], "sha256"));
  if (json.contains("program"))
    line("program", Words(json["program"], "version") + ", build " + Words(json["program"], "build"));
  if (json.contains("evidence")) {
    std::string names;
    for (const Json& item : json["evidence"]) names += (names.empty() ? "" : ", ") + Words(item, "name");
    line("kept", names);
  }
  for (const Json& item : json.value("supersedes", Json::array()))
    line("stands for", Words(item, "record").substr(0, 12) + ": " + Words(item, "reason"));
  RunFilter filter;
  filter.elements = {Words(json, "element")};
  filter.superseded = true;
  for (const RunRow& row : FindRuns(archive, filter)) {
    if (row.key == key && !row.counts)
      line("no longer counts", row.superseded_by.substr(0, 12) + ": " + row.reason);
  }
}

void ShowRecord(const ShowOptions& options, const std::string& key) {
  const Record record = ReadRecord(options.archive, key, false);
  if (options.json) return WriteOutput(*options.json, record.json + "\n");
  const Json json = Json::parse(record.json);
  if (Words(json, "schema") == kRunSchema) {
    fmt::print("{}", RunSummary(RunFromRecord(record.json, EvidenceOf(options.archive))));
  } else {
    fmt::print("element {}: {}\n", Words(json, "element"),
               Words(json, "schema") == kImportedSchema  ? "imported, not measured by this program"
               : Words(json, "schema") == kElementSchema ? "statements about the element"
               : Words(json, "schema") == kStockSchema   ? "a move in the stock"
                                                         : "withdrawn");
    Json rest = json;
    for (const char* known : {"schema", "element", "source", "evidence", "supersedes"}) rest.erase(known);
    fmt::print("{}\n", rest.dump(2));
  }
  PrintOrigin(options.archive, key, json);
}

void ShowElement(const ShowOptions& options) {
  const std::vector<FactRow> facts = FindFacts(options.archive, options.what);
  const std::vector<StockRow> stock = FindStock(options.archive, options.what);
  RunFilter filter;
  filter.elements = {options.what};
  const std::vector<RunRow> runs = FindRuns(options.archive, filter);
  if (facts.empty() && stock.empty() && runs.empty())
    throw calib::InputError(
        fmt::format("{} is neither the beginning of a record's key nor an element on record in {} (see "
                    "conebook list)",
                    options.what, options.archive));
  if (options.json) {
    Json json{{"schema", "conebook.element_view/1"}, {"element", options.what}};
    json["facts"] = Json::array();
    for (const FactRow& row : facts)
      json["facts"].push_back({{"name", row.name},
                               {"value", row.value},
                               {"disputed", row.disputed},
                               {"source", row.source},
                               {"date", row.date},
                               {"record", row.key}});
    json["stock"] = Json::array();
    for (const StockRow& row : stock)
      json["stock"].push_back({{"date", row.date},
                               {"state", row.state},
                               {"plate", row.plate},
                               {"position", row.position},
                               {"firings", row.firings ? Json(*row.firings) : Json(nullptr)},
                               {"note", row.note},
                               {"record", row.key}});
    json["runs"] = Json::parse(RunsJson(runs)).at("runs");
    return WriteOutput(*options.json, json.dump(1) + "\n");
  }
  fmt::print("element {}\n", options.what);
  for (const ElementFact& fact : FactsInWords(facts))
    fmt::print("  {:<20} {}{}{}\n", fact.name, fact.value, fact.from.empty() ? "" : "  (" + fact.from + ")",
               fact.disputed ? "  disputed: import with --reason decides" : "");
  for (const StockRow& row : stock) {
    const StockEvent event = StockInWords(row);
    fmt::print("  {}  {}{}{}\n", event.date, event.state, event.words.empty() ? "" : ": ", event.words);
  }
  for (const std::string& conflict : StockConflicts(stock)) fmt::print("  {}\n", conflict);
  std::fflush(stdout);
  ListOptions list;
  list.archive = options.archive;
  list.filter = filter;
  if (!runs.empty()) List(list);
}

bool LooksLikeKey(const std::string& text) {
  return text.size() >= 4 && text.find_first_not_of("0123456789abcdef") == std::string::npos;
}

}  // namespace

int Show(const ShowOptions& options) {
  CheckOutput(options.json);
  // An element may be called "cafe" or "0007": its name comes first.
  const bool element = !FindFacts(options.archive, options.what).empty() ||
                       !FindStock(options.archive, options.what).empty() || [&] {
                         RunFilter filter;
                         filter.elements = {options.what};
                         filter.superseded = true;
                         return !FindRuns(options.archive, filter).empty();
                       }();
  if (element || !LooksLikeKey(options.what))
    ShowElement(options);
  else
    ShowRecord(options, FindKey(options.archive, options.what));
  FlushOutput();
  return 0;
}

}  // namespace conebook::src
