#include <filesystem>

#include <fmt/core.h>

#include <calib/error.h>

#include "src/archive/export.h"
#include "src/commands/archive_commands.h"
#include "src/commands/interrupt.h"
#include "src/commands/output.h"
#include "src/commands/progress.h"
#include "src/output_file.h"

namespace conebook::src {
namespace {

// "points.csv" -> "points_dictionary.csv"
std::string DictionaryBeside(const std::string& csv) {
  std::filesystem::path path(csv);
  const std::string name = path.stem().string() + "_dictionary" + path.extension().string();
  return path.replace_filename(name).string();
}

bool IsEverything(const RunFilter& filter) {
  return filter.elements.empty() && filter.batches.empty() && filter.flags.empty() && !filter.from &&
         !filter.to && !filter.verdict && !filter.origin;
}

}  // namespace

int Export(const ExportOptions& options) {
  if (!options.csv && !options.json && !options.bundle)
    throw calib::InputError("nothing to export into: give --csv OUT.csv, --json OUT.json or --bundle FOLDER");
  CheckOutput(options.json);
  CheckOutput(options.csv);
  if (options.csv && *options.csv != "-") CheckCanWrite(DictionaryBeside(*options.csv));
  if (options.bundle) CheckCanWriteInto(*options.bundle);
  const std::vector<RunRow> runs = FindRuns(options.archive, options.filter);
  const bool to_stdout = options.csv == "-" || options.json == "-";
  if (options.csv) {
    WriteOutput(*options.csv, PointsCsv(options.archive, runs));
    if (*options.csv != "-") WriteWhole(DictionaryBeside(*options.csv), DictionaryCsv());
  }
  if (options.json) WriteOutput(*options.json, RecordsJson(options.archive, runs));
  if (options.bundle) {
    std::set<std::string> elements;
    for (const RunRow& run : runs) elements.insert(run.element);
    if (IsEverything(options.filter)) {
      for (const std::string& name : FindElements(options.archive)) elements.insert(name);
    }
    WriteBundle(options.archive, runs, elements, *options.bundle,
                ProgressLine("writing " + *options.bundle, options.quiet), InterruptWanted);
    EndProgress(options.quiet);
  }
  if (!options.quiet && !to_stdout) {
    fmt::print("{} run{} exported\n", runs.size(), runs.size() == 1 ? "" : "s");
    if (options.csv)
      fmt::print("  points      {}\n  dictionary  {}\n", *options.csv, DictionaryBeside(*options.csv));
    if (options.json) fmt::print("  records     {}\n", *options.json);
    if (options.bundle) fmt::print("  folder      {}, start with README.txt\n", *options.bundle);
  }
  FlushOutput();
  return 0;
}

}  // namespace conebook::src
