#include <filesystem>

#include <fmt/core.h>

#include <calib/error.h>

#include "src/archive/archive.h"
#include "src/commands/archive_commands.h"
#include "src/commands/output.h"

namespace conebook::src {
namespace {

// What two laptops said differently, for the engineer to decide.
std::vector<std::string> Conflicts(const std::string& archive) {
  std::vector<std::string> conflicts;
  const std::vector<FactRow> facts = FindFacts(archive, std::nullopt);
  for (std::size_t from = 0, to = 0; from < facts.size(); from = to) {
    std::string said;
    for (to = from;
         to < facts.size() && facts[to].element == facts[from].element && facts[to].name == facts[from].name;
         ++to) {
      if (to > from && facts[to].value == facts[to - 1].value) continue;
      said +=
          fmt::format("{}{} (record {}{}{})", said.empty() ? "" : " or ", facts[to].value,
                      facts[to].key.substr(0, 12), facts[to].source.empty() ? "" : ", ", facts[to].source);
    }
    if (facts[from].disputed)
      conflicts.push_back(fmt::format("element {}: {} is {}", facts[from].element, facts[from].name, said));
  }
  for (std::string& conflict : StockConflicts(FindStock(archive, std::nullopt)))
    conflicts.push_back(std::move(conflict));
  return conflicts;
}

}  // namespace

int Merge(const MergeOptions& options) {
  CheckArchive(options.archive);
  std::error_code error;
  for (const std::string& from : options.from) {
    if (std::filesystem::equivalent(from, options.archive, error))
      throw calib::InputError(from + ": is the archive that is merged into");
  }
  bool damaged = false;
  for (const std::string& from : options.from) {
    const Merged merged = MergeArchive(from, options.archive);
    for (const std::string& problem : merged.damaged) fmt::print(stderr, "conebook: {}: {}\n", from, problem);
    damaged = damaged || !merged.damaged.empty();
    if (!options.quiet)
      fmt::print("{}: {} record{} added, {} already on record\n", from, merged.added,
                 merged.added == 1 ? "" : "s", merged.already_on_record);
    FlushOutput();
  }
  const std::vector<std::string> conflicts = Conflicts(options.archive);
  for (const std::string& conflict : conflicts) fmt::print("to be decided: {}\n", conflict);
  if (!conflicts.empty())
    fmt::print(
        "Both stay on record. Decide with a table: conebook import TABLE.csv --reason TEXT --archive {}\n",
        options.archive);
  FlushOutput();
  return damaged ? 5 : 0;
}

}  // namespace conebook::src
