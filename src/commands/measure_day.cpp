#include <algorithm>
#include <atomic>
#include <cstdio>
#include <filesystem>
#include <map>
#include <mutex>
#include <thread>
#include <vector>

#include <fmt/core.h>

#include <calib/error.h>

#include "src/archive/archive.h"
#include "src/archive/plate_elements.h"
#include "src/archive/query.h"
#include "src/archive/run_record.h"
#include "src/commands/interrupt.h"
#include "src/commands/measure_command.h"
#include "src/commands/progress.h"
#include "src/commands/stored_words.h"
#include "src/day_json.h"
#include "src/iso_date.h"
#include "src/measure.h"
#include "src/output_file.h"
#include "src/overlay_video.h"
#include "src/plate_check.h"
#include "src/report/report.h"
#include "src/result_json.h"
#include "src/sheet.h"
#include "src/summary.h"
#include "src/views.h"

namespace conebook::src {
namespace {

namespace fs = std::filesystem;

int CoresFor(const MeasureOptions& options) {
  if (options.threads > 0) return options.threads;
  return std::max(1, static_cast<int>(std::thread::hardware_concurrency()));
}

MeasureInput InputOf(const Sheet& sheet, const SheetClip& clip, int threads) {
  MeasureInput input;
  input.rig = ReadRig(sheet.PathOf(sheet.rig), &clip.overrides);
  input.rig_name = NameForResult(sheet.rig);
  if (clip.file) {
    input.clip_path = sheet.PathOf(*clip.file);
    input.clip_name = NameForResult(*clip.file);
  }
  if (clip.log) {
    input.log_path = sheet.PathOf(*clip.log);
    input.log_name = NameForResult(*clip.log);
  }
  input.readings = clip.readings;
  input.sweep = clip.sweep;
  input.date = sheet.date;
  input.reading.threads = threads;
  input.reading.should_stop = InterruptWanted;
  return input;
}

// What one clip leaves behind: a run, or why there is none. Errors of our own making are rethrown on the main
// thread.
struct Outcome {
  std::optional<Run> run;
  std::optional<Stored> stored;          // where an archive is wanted
  std::optional<std::string> on_record;  // key of the run that was there already, and is not measured again
  std::string error;
  std::exception_ptr ours;
};

// The run that the archive holds of the same inputs by this program, on the same day. A program that does not
// know which it is cannot tell.
std::optional<std::string> OnRecord(const MeasureInput& input, const std::string& archive, Run& run) {
  const Run before = RunOfInputs(input);
  if (before.program_build.starts_with("unknown")) return std::nullopt;
  auto key = RunOnRecord(archive, InputsKey(ResultJson(before)), before.program_build);
  if (!key) return std::nullopt;
  Run kept = RunFromRecord(ReadRecord(archive, *key, false).json, EvidenceOf(archive));
  if (input.date && kept.date != input.date) return std::nullopt;
  run = std::move(kept);
  return key;
}

// Each run is on record as soon as it is measured: what interrupts a day loses the clip at hand, no more.
// `storing`: one writer at a time.
Outcome MeasureEntry(const Sheet& sheet, const SheetClip& clip, const std::optional<std::string>& film_path,
                     const MeasureOptions& options, int threads, std::mutex& storing) {
  Outcome outcome;
  if (!clip.error.empty()) {
    outcome.error = clip.error;
    return outcome;
  }
  try {
    MeasureInput input = InputOf(sheet, clip, threads);
    if (options.date) input.date = StatedDay(options.date, "--date");
    if (options.sweep && clip.log) input.sweep = true;
    const bool film_wanted = film_path && clip.file;
    if (options.archive && !film_wanted && !options.again) {
      Run run;
      outcome.on_record = OnRecord(input, *options.archive, run);
      if (outcome.on_record) {
        outcome.run = std::move(run);
        return outcome;
      }
    }
    outcome.run = Measure(input);
    AddPlateCheck(input.rig, PlateElementsFor(input.rig, options.archive), *outcome.run);
    if (options.archive) {
      const Record record = RunRecord(*outcome.run, input);
      const std::lock_guard<std::mutex> lock(storing);
      outcome.stored = StoreRecord(*options.archive, record);
    }
    if (film_wanted && !outcome.run->points.empty()) {
      OverlayVideoOptions film;
      film.fps = input.rig.view.fps;
      film.white_level = input.rig.view.white_level;
      film.threads = threads;
      film.should_stop = InterruptWanted;
      WriteOverlayVideo(*outcome.run, *input.clip_path, *film_path, film);
    }
  } catch (const calib::InputError& problem) {
    outcome.run.reset();
    outcome.error = problem.what();
  } catch (...) {
    outcome.ours = std::current_exception();
  }
  return outcome;
}

bool IsPlate(const TomlNode& day_rig, const SheetClip& clip) {
  const auto kind = [](const TomlNode& rig) -> std::string {
    const TomlNode* element = rig.kind == TomlNode::Kind::kTable ? rig.Find("element") : nullptr;
    const TomlNode* of =
        element != nullptr && element->kind == TomlNode::Kind::kTable ? element->Find("kind") : nullptr;
    return of == nullptr ? "" : of->text;
  };
  const std::string own = kind(clip.overrides);
  return (own.empty() ? kind(day_rig) : own) == "plate";
}

std::vector<Outcome> MeasureAll(const Sheet& sheet, const TomlNode& day_rig,
                                const std::vector<std::string>& stems, const MeasureOptions& options) {
  const int cores = CoresFor(options);
  const int workers = std::min<int>(cores, static_cast<int>(sheet.clips.size()));
  const int threads_each = std::max(1, cores / workers);
  std::vector<Outcome> outcomes(sheet.clips.size());
  std::atomic<std::size_t> next{0};
  std::mutex progress_guard, storing;
  std::size_t done = 0;
  const auto show = ProgressLine(fmt::format("{} clips", sheet.clips.size()), options.quiet);
  std::vector<std::size_t> at_hand;
  const auto work = [&] {
    for (std::size_t at = next++; at < at_hand.size() && !InterruptWanted(); at = next++) {
      const std::size_t k = at_hand[at];
      std::optional<std::string> film;
      if (options.overlay) film = (fs::path(*options.overlay) / (stems[k] + ".mp4")).string();
      outcomes[k] = MeasureEntry(sheet, sheet.clips[k], film, options, threads_each, storing);
      const std::lock_guard<std::mutex> lock(progress_guard);
      ++done;
      const Outcome& outcome = outcomes[k];
      ProgressNote(fmt::format("{}/{} {}: {}", done, sheet.clips.size(), stems[k],
                               !outcome.run        ? outcome.error
                               : outcome.on_record ? "on record already"
                                                   : RunInOneLine(*outcome.run)),
                   options.quiet);
      if (show) show(static_cast<double>(done) / static_cast<double>(sheet.clips.size()));
    }
  };
  // Plates last: they are held against their elements, which are on record by then.
  for (const bool plates : {false, true}) {
    at_hand.clear();
    for (std::size_t k = 0; k < sheet.clips.size(); ++k) {
      if (IsPlate(day_rig, sheet.clips[k]) == plates) at_hand.push_back(k);
    }
    next = 0;
    std::vector<std::jthread> pool;
    for (int i = 1; i < workers; ++i) pool.emplace_back(work);
    work();
  }
  EndProgress(options.quiet);
  for (const Outcome& outcome : outcomes) {
    if (outcome.ours) std::rethrow_exception(outcome.ours);
  }
  if (InterruptWanted()) throw vision::Interrupted();
  return outcomes;
}

void CheckOutputs(const MeasureOptions& options) {
  if (options.clip || options.rig || options.log) {
    throw calib::InputError(
        "--sheet names clips, rig and log itself; give no clip, --rig or --log beside it");
  }
  if (options.json == "-")
    throw calib::InputError("--json with --sheet needs a folder for one file a clip, not -");
  if (options.json) CheckCanWriteInto(*options.json);
  if (options.overlay) CheckCanWriteInto(*options.overlay);
  if (options.report) CheckCanWrite(*options.report);
  if (options.archive) CheckArchive(*options.archive);
}

void MakeFolder(const std::string& folder) {
  std::error_code error;
  fs::create_directory(folder, error);
  if (error)
    throw calib::InputError(fmt::format("{}: the folder cannot be made ({})", folder, error.message()));
}

// "3 measured, 1 of them flagged, 1 rejected, 1 not measured".
std::string CountsOf(const DayReport& day) {
  int ok = 0, flagged = 0, rejected = 0, bad = 0;
  for (const DayEntry& entry : day.entries) {
    if (!entry.run) {
      ++bad;
      continue;
    }
    const Verdict verdict = entry.run->GetVerdict();
    ++(verdict == Verdict::kOk ? ok : verdict == Verdict::kFlagged ? flagged : rejected);
  }
  std::string text = fmt::format("{} measured", ok + flagged);
  if (flagged > 0) text += fmt::format(", {} of them flagged", flagged);
  if (rejected > 0) text += fmt::format(", {} rejected", rejected);
  if (bad > 0) text += fmt::format(", {} not measured: bad input", bad);
  return text;
}

void PrintDay(const DayReport& day, const MeasureOptions& options) {
  if (options.quiet) return;
  // Safety first, across the whole day.
  for (const DayEntry& entry : day.entries) {
    if (!entry.run) continue;
    for (const calib::Flag& flag : entry.run->flags) {
      if (flag.code == "above_rated_pressure") {
        fmt::print("warning: {}: {} [{}]\n    {}\n", entry.clip, flag.message, flag.code, flag.advice);
      }
    }
  }
  fmt::print("{}\n", day.name);
  for (const DayEntry& entry : day.entries) {
    fmt::print("  {} ({}): {}\n", entry.clip, entry.element,
               entry.run ? RunInOneLine(*entry.run) : "not measured");
  }
  const auto print_check = [](const auto& check) {
    fmt::print("  {}\n", InWords(check));
    for (const calib::Flag& flag : check.flags)
      fmt::print("    {}: {} [{}]\n    {}\n", flag.severity == calib::Severity::kWarn ? "warning" : "note",
                 flag.message, flag.code, flag.advice);
  };
  fmt::print("  {}\n", CountsOf(day));
  for (const ElementCheck& check : day.checks) print_check(check);
  for (const MeterCheck& check : day.meter_checks) print_check(check);
  for (const ElementViews& views : ViewsOf(RunsOf(day))) fmt::print("  {}\n", InWords(views));
}

// Flows on record of the day's check elements, before this day's runs come on record; oldest first.
std::map<std::string, std::vector<CheckFlow>> EarlierFlows(const MeasureOptions& options,
                                                           const Sheet& sheet) {
  std::map<std::string, std::vector<CheckFlow>> flows;
  std::error_code error;
  if (!options.archive || !fs::exists(*options.archive, error)) return flows;
  RunFilter filter;
  filter.origin = "measured";
  for (const SheetClip& clip : sheet.clips) {
    const TomlNode* element =
        clip.overrides.kind == TomlNode::Kind::kTable ? clip.overrides.Find("element") : nullptr;
    const TomlNode* role =
        element != nullptr && element->kind == TomlNode::Kind::kTable ? element->Find("role") : nullptr;
    if (role != nullptr && !clip.element.empty()) filter.elements.push_back(clip.element);
  }
  if (filter.elements.empty()) return flows;
  const std::string today = options.date.value_or(sheet.date.value_or(""));
  for (const RunRow& row : FindRuns(*options.archive, filter)) {
    // A day that is taken up again has some of its own runs on record already.
    if (!row.counts || !row.flow_area_mm2 || (!today.empty() && row.date == today)) continue;
    const Run run = RunFromRecord(ReadRecord(*options.archive, row.key, false).json,
                                  [](const std::string&) { return std::nullopt; });
    flows[row.element].push_back({row.date, *run.flow_law->flow_area_mm2});
  }
  return flows;
}

}  // namespace

int MeasureDay(const MeasureOptions& options) {
  CheckOutputs(options);
  const Sheet sheet = ReadSheet(*options.sheet);
  const std::vector<std::string> stems = ResultStems(sheet);
  const TomlNode day_rig =
      ReadToml(sheet.PathOf(sheet.rig));  // a day without its rig fails once, not once a clip
  if (options.overlay) MakeFolder(*options.overlay);
  const auto earlier = EarlierFlows(options, sheet);
  std::vector<Outcome> outcomes = MeasureAll(sheet, day_rig, stems, options);
  if (options.json) MakeFolder(*options.json);

  DayReport day;
  day.name = sheet.name;
  day.sheet_path = NameForResult(*options.sheet);
  std::vector<std::string> files;
  bool bad = false, rejected = false;
  for (std::size_t k = 0; k < outcomes.size(); ++k) {
    const SheetClip& clip = sheet.clips[k];
    DayEntry entry;
    entry.clip = clip.file ? NameForResult(*clip.file) : stems[k];
    entry.element = clip.element;
    entry.batch = clip.batch;
    entry.mount = clip.mount;
    files.push_back(stems[k] + ".json");
    if (outcomes[k].run) {
      const std::string json = ResultJson(*outcomes[k].run);
      if (options.json) WriteWhole((fs::path(*options.json) / files.back()).string(), json);
      if (!options.quiet && outcomes[k].stored)
        fmt::print("{}: {}", entry.clip, StoredInWords(*outcomes[k].stored));
      if (!options.quiet && outcomes[k].on_record) {
        fmt::print(
            "{}: on record as {}, from the same files by this program; not measured again (--again does)\n",
            entry.clip, outcomes[k].on_record->substr(0, 12));
      }
      rejected = rejected || outcomes[k].run->GetVerdict() == Verdict::kRejected;
      entry.element = outcomes[k].run->element;
      entry.batch = outcomes[k].run->batch;
      entry.run = std::move(outcomes[k].run);
    } else {
      bad = true;
      entry.error = outcomes[k].error;
      fmt::print(stderr, "conebook: {}: {}\n", entry.clip, entry.error);
    }
    day.entries.push_back(std::move(entry));
  }
  day.checks = CheckElements(RunsOf(day), earlier);
  day.meter_checks = CheckMeter(RunsOf(day));
  if (options.report) WriteWhole(*options.report, RenderDayReportHtml(day));
  if (options.json) WriteWhole((fs::path(*options.json) / "day.json").string(), DayJson(day, files));
  PrintDay(day, options);
  if (std::fflush(stdout) != 0)
    throw calib::InputError("standard output could not be written; is the disk full?");
  return bad ? 2 : rejected ? 3 : 0;
}

}  // namespace conebook::src
