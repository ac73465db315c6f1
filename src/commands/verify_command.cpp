#include <cstdio>

#include <fmt/core.h>
#include <nlohmann/json.hpp>

#include <calib/error.h>

#include "src/archive/archive.h"
#include "src/archive/remeasure.h"
#include "src/commands/archive_commands.h"
#include "src/commands/interrupt.h"
#include "src/commands/output.h"
#include "src/commands/progress.h"

namespace conebook::src {
namespace {

using Json = nlohmann::json;

struct Tally {
  int measured_again = 0, same_bytes = 0, within = 0, differ = 0, not_possible = 0;
};

void MeasureAgain(const VerifyOptions& options, const RunRow& run, const std::string& json,
                  const EvidenceReader& evidence, const std::optional<std::string>& footage, Tally& tally) {
  const std::string name = fmt::format("record {} (element {})", run.key.substr(0, 12), run.element);
  vision::ReadOptions reading;
  reading.threads = options.threads;
  reading.should_stop = InterruptWanted;
  reading.on_progress = ProgressLine("measuring " + name, options.quiet);
  std::string again;
  try {
    again = Remeasure(json, evidence, footage, reading);
  } catch (const calib::InputError& problem) {
    EndProgress(options.quiet);
    ++tally.not_possible;
    fmt::print("{}: cannot be measured again: {}\n", name, problem.what());
    return;
  }
  EndProgress(options.quiet);
  const Comparison comparison = CompareResults(json, again);
  ++tally.measured_again;
  if (comparison.differences.empty()) {
    ++(comparison.same_bytes ? tally.same_bytes : tally.within);
    if (!options.quiet)
      fmt::print("{}: {}\n", name,
                 comparison.same_bytes
                     ? std::string("the same to the byte")
                     : fmt::format("within 0.1 u (largest difference {:.2g} u; recorded by build {})",
                                   comparison.largest_in_u, run.build));
    return;
  }
  ++tally.differ;
  fmt::print("{}: differs (recorded by build {}{}):\n", name, run.build,
             comparison.same_build ? ", the same as now" : "");
  constexpr std::size_t kShown = 12;
  for (std::size_t i = 0; i < std::min(kShown, comparison.differences.size()); ++i)
    fmt::print("    {}\n", comparison.differences[i]);
  if (comparison.differences.size() > kShown)
    fmt::print("    and {} more\n", comparison.differences.size() - kShown);
}

// True: something is not as it should be.
bool LookAtFootage(const VerifyOptions& options) {
  const std::vector<RunRow> runs = FindRuns(options.archive, options.filter);
  const EvidenceReader evidence = EvidenceOf(options.archive);
  int reachable = 0, missing = 0;
  Tally tally;
  for (const RunRow& run : runs) {
    if (InterruptWanted()) throw vision::Interrupted();
    if (run.origin != "measured") continue;
    const std::string json = ReadRecord(options.archive, run.key, false).json;
    std::optional<std::string> footage;
    if (!run.footage.empty()) {
      const std::string path = Json::parse(json).value("/footage/path"_json_pointer, std::string());
      footage = FindFootage(path, run.footage, options.footage);
      if (!footage) {
        ++missing;
        fmt::print("record {} (element {}): footage {} was not found with its hash {}...\n",
                   run.key.substr(0, 12), run.element, path, run.footage.substr(0, 12));
        continue;
      }
      ++reachable;
    }
    if (options.remeasure) MeasureAgain(options, run, json, evidence, footage, tally);
  }
  if (!options.quiet) {
    fmt::print("footage: {} of {} clips reachable, hashes as recorded\n", reachable, reachable + missing);
    if (options.remeasure)
      fmt::print(
          "measured again: {} runs: {} the same to the byte, {} within 0.1 u, {} differ, {} not possible\n",
          tally.measured_again + tally.not_possible, tally.same_bytes, tally.within, tally.differ,
          tally.not_possible);
  }
  return missing > 0 || tally.differ > 0 || tally.not_possible > 0;
}

}  // namespace

int Verify(const VerifyOptions& options) {
  if (options.rebuild_index) {
    RebuildIndex(options.archive);
    if (!options.quiet) fmt::print("the index was made again from the records\n");
  }
  const Integrity integrity =
      CheckIntegrity(options.archive, ProgressLine("checking " + options.archive, options.quiet));
  EndProgress(options.quiet);
  for (const std::string& problem : integrity.problems) fmt::print("{}\n", problem);
  if (!options.quiet)
    fmt::print("{}: {} records, {} pieces of evidence: {}\n", options.archive, integrity.records,
               integrity.evidence, integrity.problems.empty() ? "sound" : "not sound");
  bool wrong = !integrity.problems.empty();
  if (options.remeasure || !options.footage.empty()) wrong = LookAtFootage(options) || wrong;
  FlushOutput();
  return wrong ? 5 : 0;
}

}  // namespace conebook::src
