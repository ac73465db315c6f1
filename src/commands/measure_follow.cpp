#include <chrono>
#include <cstdio>
#include <filesystem>
#include <fstream>
#include <map>
#include <set>
#include <thread>

#include <fmt/core.h>
#include <nlohmann/json.hpp>

#include <calib/error.h>

#include "src/archive/archive.h"
#include "src/archive/plate_elements.h"
#include "src/archive/query.h"
#include "src/archive/run_record.h"
#include "src/commands/interrupt.h"
#include "src/commands/measure_command.h"
#include "src/commands/progress.h"
#include "src/commands/stored_words.h"
#include "src/folder_watch.h"
#include "src/iso_date.h"
#include "src/measure.h"
#include "src/output_file.h"
#include "src/plate_check.h"
#include "src/report/report.h"
#include "src/result_json.h"
#include "src/sha256.h"
#include "src/summary.h"

namespace conebook::src {
namespace {

namespace fs = std::filesystem;
using Clock = std::chrono::steady_clock;

double Seconds(Clock::duration span) {
  return std::chrono::duration<double>(span).count();
}

void CheckOptions(const MeasureOptions& options) {
  if (options.clip || options.sheet)
    throw calib::InputError(
        "--follow measures the clips that come into its folder; give no clip or --sheet beside it");
  if (options.overlay || options.supersedes)
    throw calib::InputError(
        "--follow goes without --overlay and --supersedes; measure those clips one by one");
  if (!options.rig) {
    throw calib::InputError(
        "--rig RIG.toml is missing: the rig file says which element, which scale, which nozzle");
  }
  if (options.json == "-")
    throw calib::InputError("--json with --follow needs a folder for one file a clip, not -");
  if (options.json) CheckCanWriteInto(*options.json);
  if (options.report) CheckCanWrite(*options.report);
  if (options.archive) CheckArchive(*options.archive);
  StatedDay(options.date, "--date");
  ReadRig(*options.rig);  // heard of now, not at the first clip
}

// What has been measured, by the footage's SHA-256: here, and before, as result files and archive tell.
class Known {
 public:
  explicit Known(const MeasureOptions& options) {
    std::error_code error;
    if (options.json) {
      for (const auto& entry : fs::directory_iterator(*options.json, error)) {
        if (entry.path().extension() == ".json") AddResult(entry.path());
      }
    }
    if (options.archive && fs::exists(*options.archive, error)) {
      RunFilter all;
      all.superseded = true;
      for (const RunRow& row : FindRuns(*options.archive, all)) {
        if (!row.footage.empty()) where_.emplace(row.footage, "record " + row.key.substr(0, kKeyDigits));
      }
    }
  }
  const std::string* Where(const std::string& sha256) const {
    const auto at = where_.find(sha256);
    return at == where_.end() ? nullptr : &at->second;
  }
  void Add(const std::string& sha256, const std::string& where) { where_.emplace(sha256, where); }

  // A name that overwrites no other clip's result; a clip filmed again under its own name takes its own.
  std::string ResultName(const std::string& clip) {
    if (const auto mine = names_.find(clip); mine != names_.end()) return mine->second;
    const std::string stem = fs::path(clip).stem().string();
    std::string name = stem + ".json";
    for (int n = 2; !taken_.insert(name).second; ++n) name = fmt::format("{}-{}.json", stem, n);
    return names_[clip] = name;
  }

 private:
  static constexpr std::size_t kKeyDigits = 12;

  void AddResult(const fs::path& path) {
    taken_.insert(path.filename().string());
    std::ifstream stream(path);
    const auto json = nlohmann::json::parse(stream, nullptr, false);
    if (!json.is_object() || !json.contains("footage") || !json["footage"].is_object()) return;
    where_.emplace(json["footage"].value("sha256", ""), path.filename().string());
  }

  std::map<std::string, std::string> where_;  // SHA-256 -> a result file or record
  std::set<std::string> taken_{"day.json"};
  std::map<std::string, std::string> names_;
};

struct Followed {
  std::optional<Run> run;
  std::string error;
  bool ours = false;            // a bug
  std::string archive_trouble;  // measured, but not put on record
};

class Follower {
 public:
  explicit Follower(const MeasureOptions& options) : options_(options), known_(options) {}

  // False when it was interrupted.
  bool Take(const std::string& name) {
    const std::string path = (fs::path(*options_.follow) / name).string();
    Followed followed;
    MeasureInput input;
    try {
      const std::string sha256 = FootageSha256(path);
      if (const std::string* where = known_.Where(sha256)) {
        Say(fmt::format("{}: already measured: {}\n", name, *where));
        return true;
      }
      const auto begin = Clock::now();
      input = InputFor(path);
      followed.run = Measure(input);
      AddPlateCheck(input.rig, PlateElementsFor(input.rig, options_.archive), *followed.run);
      EndProgress(options_.quiet);
      if (InterruptWanted()) return false;
      Keep(name, sha256, input, followed);
      Say(Verdict(name, *followed.run, Seconds(Clock::now() - begin)));
      if (!followed.archive_trouble.empty())
        fmt::print(stderr, "conebook: {}: not put on record: {}\n", name, followed.archive_trouble);
    } catch (const vision::Interrupted&) {
      EndProgress(options_.quiet);
      return false;
    } catch (const calib::InputError& problem) {
      followed.error = problem.what();
    } catch (const std::exception& problem) {
      followed.error = fmt::format("this is a bug: {}", problem.what());
      followed.ours = true;
    }
    if (!followed.error.empty()) {
      EndProgress(options_.quiet);
      followed.run.reset();
      fmt::print(stderr, "conebook: {}: not measured: {}\n", name, followed.error);
    }
    clips_[name] = std::move(followed);
    if (options_.report) WriteWhole(*options_.report, RenderDayReportHtml(Page()));
    return true;
  }

  void Say(const std::string& text) const {
    if (options_.quiet) return;
    fmt::print("{}", text);
    if (std::fflush(stdout) != 0)
      throw calib::InputError("standard output could not be written; is the disk full?");
  }

  // As a test day's, over the clips' last measurements.
  int Summarise() const {
    std::map<std::string, int> verdicts;
    bool bad = false, ours = false, rejected = false, archive = false;
    std::string lines;
    for (const auto& [name, clip] : clips_) {
      ++verdicts[clip.run ? NameOf(clip.run->GetVerdict()) : "not measured"];
      bad = bad || !clip.run;
      ours = ours || clip.ours;
      archive = archive || !clip.archive_trouble.empty();
      rejected = rejected || (clip.run && clip.run->GetVerdict() == Verdict::kRejected);
      lines += fmt::format("  {}: {}\n", name, clip.run ? RunInOneLine(*clip.run) : "not measured");
    }
    std::string text = fmt::format("{} clip{} from {}", clips_.size(), clips_.size() == 1 ? "" : "s",
                                   NameForResult(*options_.follow));
    const char* between = ": ";
    for (const char* verdict : {"ok", "flagged", "rejected", "not measured"}) {
      if (verdicts[verdict] == 0) continue;
      text += fmt::format("{}{} {}", between, verdicts[verdict], verdict);
      between = ", ";
    }
    Say(text + "\n" + lines);
    return ours ? 1 : archive ? 4 : bad ? 2 : rejected ? 3 : 0;
  }

 private:
  MeasureInput InputFor(const std::string& path) const {
    MeasureInput input;
    input.rig = ReadRig(*options_.rig);  // each time: it may have been put right since
    input.rig_name = NameForResult(*options_.rig);
    input.clip_path = path;
    input.clip_name = NameForResult(path);
    input.log_path = options_.log;
    if (options_.log) input.log_name = NameForResult(*options_.log);
    input.date = options_.date;
    input.reading.threads = options_.threads;
    input.reading.should_stop = InterruptWanted;
    input.reading.on_progress = ProgressLine("reading " + input.clip_name, options_.quiet);
    return input;
  }

  void Keep(const std::string& name, const std::string& sha256, const MeasureInput& input,
            Followed& followed) {
    std::string where = "just now";
    if (options_.json) {
      std::error_code error;
      fs::create_directory(*options_.json, error);
      where = known_.ResultName(name);
      WriteWhole((fs::path(*options_.json) / where).string(), ResultJson(*followed.run));
    }
    if (options_.archive) {
      try {
        const Stored stored = StoreRecord(*options_.archive, RunRecord(*followed.run, input));
        Say(fmt::format("{}: {}", name, StoredInWords(stored)));
      } catch (const ArchiveError& problem) {
        followed.archive_trouble = problem.what();
      }
    }
    known_.Add(sha256, where);
  }

  static std::string Verdict(const std::string& name, const Run& run, double took_s) {
    return fmt::format("{} ({}): {}\n{}  {:.1f} s long, measured in {:.1f} s\n", name, run.element,
                       RunInOneLine(run), WhatToChange(run), run.clip.duration_s, took_s);
  }

  DayReport Page() const {
    DayReport day;
    day.name = "Clips from " + NameForResult(*options_.follow);
    day.sheet_path = "none: clips as they came";
    for (const auto& [name, clip] : clips_) {
      DayEntry entry;
      entry.clip = name;
      if (clip.run) {
        entry.element = clip.run->element;
        entry.batch = clip.run->batch;
      }
      entry.run = clip.run;
      entry.error = clip.error;
      day.entries.push_back(std::move(entry));
    }
    return day;
  }

  const MeasureOptions& options_;
  Known known_;
  std::map<std::string, Followed> clips_;
};

// Until a moment has passed, or Ctrl-C.
void Wait(double seconds) {
  const auto end = Clock::now() + std::chrono::duration<double>(seconds);
  while (Clock::now() < end && !InterruptWanted()) std::this_thread::sleep_for(std::chrono::milliseconds(50));
}

}  // namespace

int MeasureFollow(const MeasureOptions& options) {
  constexpr double kLookEveryS = 0.5;
  CheckOptions(options);
  FolderWatch watch(*options.follow, options.existing);
  Follower follower(options);
  if (!options.quiet) {
    const std::string old =
        watch.LeftAlone() == 0
            ? std::string()
            : fmt::format("{} clip{} there {} left alone (--existing takes them, too); ", watch.LeftAlone(),
                          watch.LeftAlone() == 1 ? "" : "s", watch.LeftAlone() == 1 ? "is" : "are");
    fmt::print(stderr, "following {}: {}Ctrl-C ends\n", *options.follow, old);
  }
  const auto begin = Clock::now();
  bool troubled = false, going_on = true;
  while (going_on && !InterruptWanted()) {
    const std::vector<std::string> finished = watch.Look(Seconds(Clock::now() - begin));
    // Said once: a network drive that is gone may come back.
    if (!watch.Trouble().empty() && !troubled)
      fmt::print(stderr, "conebook: {}: cannot be read just now ({}); still looking\n", *options.follow,
                 watch.Trouble());
    troubled = !watch.Trouble().empty();
    for (const std::string& name : finished) {
      going_on = !InterruptWanted() && follower.Take(name);
      if (going_on) continue;
      fmt::print(stderr, "conebook: interrupted: {} was not measured\n", name);
      break;
    }
    Wait(kLookEveryS);
  }
  return follower.Summarise();
}

}  // namespace conebook::src
