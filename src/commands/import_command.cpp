#include <cstdio>
#include <filesystem>
#include <fstream>
#include <sstream>

#include <fmt/core.h>
#include <nlohmann/json.hpp>

#include <calib/error.h>

#include "src/archive/archive.h"
#include "src/archive/earlier_results.h"
#include "src/archive/element_table.h"
#include "src/archive/run_record.h"
#include "src/commands/archive_commands.h"
#include "src/commands/interrupt.h"
#include "src/commands/output.h"
#include "src/iso_date.h"

namespace conebook::src {
namespace {

using calib::InputError;
using Json = nlohmann::json;

std::string TextOf(const std::string& path) {
  std::ifstream file(path, std::ios::binary);
  std::ostringstream text;
  text << file.rdbuf();
  if (!file) throw InputError(path + ": cannot be read; does the file exist, and may you read it?");
  return text.str();
}

bool LooksLikeJson(const std::string& text) {
  const std::size_t first = text.find_first_not_of(" \t\r\n");
  return first != std::string::npos && text[first] == '{';
}

Record ResultRecord(const std::string& path, const std::string& text,
                    const std::vector<Superseding>& for_them) {
  const Json json = Json::parse(text, nullptr, false);
  if (!json.is_object() || json.value("schema", Json()) != kRunSchema)
    throw InputError(path +
                     ": not a result file; expected JSON with \"schema\": \"conebook.run/1\", or a CSV "
                     "table of elements or of earlier results");
  try {
    RunFromRecord(text, [](const std::string&) { return std::nullopt; });
  } catch (const std::exception&) {
    throw InputError(path + ": a result file that is not whole: keys are missing or of the wrong kind");
  }
  // What the file lists as kept beside it is not here, and was checked when it was stored.
  return MakeRecord(text, {}, for_them);
}

void Say(const ImportOptions& options, const std::string& path, const std::vector<Stored>& stored,
         const std::string& what, const std::vector<std::string>& ignored) {
  if (!ignored.empty()) {
    std::string names;
    for (const std::string& name : ignored) names += (names.empty() ? "" : ", ") + name;
    fmt::print(stderr, "conebook: {}: columns that were not used: {}\n", path, names);
  }
  if (options.quiet) return;
  int fresh = 0;
  for (const Stored& one : stored) fresh += one.already_on_record ? 0 : 1;
  fmt::print("{}: {}: {} record{} put on record{}\n", path, what, fresh, fresh == 1 ? "" : "s",
             fresh < static_cast<int>(stored.size()) || stored.empty() ? ", the rest already was" : "");
  for (const Stored& one : stored) {
    if (!one.already_on_record) fmt::print("  {}\n", one.key);
  }
  // What was said to be stored is stored, even if the next file is cut short.
  std::fflush(stdout);
}

void ImportTable(const ImportOptions& options, const std::string& path) {
  const CsvTable table = ReadCsv(path, {});
  if (LooksLikeEarlierResults(table)) {
    const EarlierResults results = ReadEarlierResults(table);
    Say(options, path, StoreRecords(options.archive, results.records),
        fmt::format("earlier results, {} points, marked imported", results.points), results.ignored);
  } else if (LooksLikeElementTable(table)) {
    const ElementTable elements =
        ReadElementTable(options.archive, table, options.reason, options.date.value_or(Today()));
    Say(options, path, StoreRecords(options.archive, elements.records),
        fmt::format("{} elements", elements.elements), elements.ignored);
  } else {
    throw InputError(fmt::format(
        "{}, line {}: not a table that can be imported: expected a column \"element\" and either a pressure "
        "drop such as pressure_bar (earlier results), or what is known of the elements, such as "
        "inlet_diameter_mm, material or state",
        path, table.header_line));
  }
}

}  // namespace

int Import(const ImportOptions& options) {
  if (options.supersedes && options.files.size() != 1)
    throw InputError("--supersedes needs exactly one result file, the one that stands for the record named");
  if (options.supersedes && options.reason.empty())
    throw InputError("--supersedes needs --reason TEXT: why the record no longer counts");
  StatedDay(options.date, "--date");
  CheckArchive(options.archive);
  for (const std::string& path : options.files) {
    if (InterruptWanted()) throw vision::Interrupted();
    const std::string text = TextOf(path);
    if (!LooksLikeJson(text)) {
      if (options.supersedes)
        throw InputError(path + ": --supersedes goes with a result file; tables are corrected with --reason");
      ImportTable(options, path);
      continue;
    }
    std::vector<Superseding> for_them;
    if (options.supersedes)
      for_them.push_back({FindKey(options.archive, *options.supersedes), options.reason});
    const Stored stored = StoreRecord(options.archive, ResultRecord(path, text, for_them));
    Say(options, path, {stored}, "a result", {});
  }
  FlushOutput();
  return 0;
}

}  // namespace conebook::src
