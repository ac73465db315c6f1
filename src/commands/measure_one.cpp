#include <cstdio>
#include <filesystem>
#include <utility>
#include <vector>

#include <fmt/core.h>

#include <calib/error.h>

#include "src/archive/archive.h"
#include "src/archive/plate_elements.h"
#include "src/archive/run_record.h"
#include "src/commands/interrupt.h"
#include "src/commands/measure_command.h"
#include "src/commands/progress.h"
#include "src/commands/stored_words.h"
#include "src/iso_date.h"
#include "src/measure.h"
#include "src/output_file.h"
#include "src/overlay_video.h"
#include "src/plate_check.h"
#include "src/report/report.h"
#include "src/result_json.h"
#include "src/summary.h"

namespace conebook::src {
namespace {

namespace fs = std::filesystem;

bool SameFile(const std::string& a, const std::string& b) {
  std::error_code error;
  return fs::weakly_canonical(a, error) == fs::weakly_canonical(b, error);
}

// Every output can be written, and none would overwrite an input or another output.
void CheckOutputs(const MeasureOptions& options) {
  std::vector<std::pair<std::string, std::string>> outputs;
  if (options.json && *options.json != "-") outputs.emplace_back("--json", *options.json);
  if (options.report) outputs.emplace_back("--report", *options.report);
  if (options.overlay) outputs.emplace_back("--overlay", *options.overlay);
  for (const auto& [name, path] : outputs) CheckCanWrite(path);
  if (options.archive) {
    CheckArchive(*options.archive);
    outputs.emplace_back("--archive", *options.archive);
  }
  for (std::size_t i = 0; i < outputs.size(); ++i) {
    for (const auto& input : {options.clip, options.rig, options.log}) {
      if (input && SameFile(*input, outputs[i].second)) {
        throw calib::InputError(
            fmt::format("{} {} would overwrite an input", outputs[i].first, outputs[i].second));
      }
    }
    for (std::size_t k = 0; k < i; ++k) {
      if (SameFile(outputs[i].second, outputs[k].second)) {
        throw calib::InputError(
            fmt::format("{} and {} both name {}", outputs[k].first, outputs[i].first, outputs[i].second));
      }
    }
  }
}

void CheckOptions(const MeasureOptions& options) {
  if (!options.clip && !options.log) {
    throw calib::InputError(
        "nothing to measure: give a clip, or --log LOG.csv for a flow-only run, or --sheet DAY.toml; "
        "see conebook measure --help");
  }
  if (!options.rig) {
    throw calib::InputError(
        "--rig RIG.toml is missing: the rig file says which element, which scale, which nozzle");
  }
  if (options.supersedes && (!options.archive || options.reason.empty()))
    throw calib::InputError(
        "--supersedes needs --archive BOOK.db and --reason TEXT: why the record no longer counts");
  if (options.overlay && !options.clip) throw calib::InputError("--overlay needs a clip");
}

}  // namespace

namespace {

Record WithCorrection(const MeasureOptions& options, Record record) {
  if (!options.supersedes) return record;
  return MakeRecord(record.json, std::move(record.evidence),
                    {{FindKey(*options.archive, *options.supersedes), options.reason}});
}

}  // namespace

int MeasureOne(const MeasureOptions& options) {
  CheckOptions(options);
  CheckOutputs(options);
  // Asked now: a record that is not there must not be found out after a long clip.
  if (options.supersedes) FindKey(*options.archive, *options.supersedes);
  MeasureInput input;
  input.date = StatedDay(options.date, "--date");
  input.rig = ReadRig(*options.rig);
  input.rig_name = NameForResult(*options.rig);
  input.clip_path = options.clip;
  input.log_path = options.log;
  input.sweep = options.sweep;
  if (options.clip) input.clip_name = NameForResult(*options.clip);
  if (options.log) input.log_name = NameForResult(*options.log);
  input.reading.threads = options.threads;
  input.reading.should_stop = InterruptWanted;
  input.reading.on_progress = ProgressLine("reading " + input.clip_name, options.quiet);
  Run run = Measure(input);
  EndProgress(options.quiet);
  if (InterruptWanted()) throw vision::Interrupted();

  AddPlateCheck(input.rig, PlateElementsFor(input.rig, options.archive), run);
  const std::string json = ResultJson(run);
  if (options.overlay && !run.points.empty()) {
    OverlayVideoOptions film;
    film.fps = input.rig.view.fps;
    film.white_level = input.rig.view.white_level;
    film.threads = options.threads;
    film.should_stop = InterruptWanted;
    WriteOverlayVideo(run, *options.clip, *options.overlay, film);
  }
  if (options.report) WriteWhole(*options.report, RenderReportHtml(run));
  if (options.json && *options.json != "-") WriteWhole(*options.json, json);
  std::optional<Stored> stored;
  if (options.archive) stored = StoreRecord(*options.archive, WithCorrection(options, RunRecord(run, input)));
  if (options.json == "-") {
    std::fwrite(json.data(), 1, json.size(), stdout);
    if (!options.quiet) {
      for (const calib::Flag& flag : run.flags) {
        if (flag.severity != calib::Severity::kInfo) fmt::print(stderr, "{}: {}\n", flag.code, flag.message);
      }
    }
  } else if (!options.quiet) {
    fmt::print("{}", RunSummary(run));
    if (stored) fmt::print("{}", StoredInWords(*stored));
  }
  if (std::fflush(stdout) != 0)
    throw calib::InputError("standard output could not be written; is the disk full?");
  return run.GetVerdict() == Verdict::kRejected ? 3 : 0;
}

}  // namespace conebook::src
