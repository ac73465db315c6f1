#include "vision/clip_reading.h"

#include <algorithm>
#include <cmath>
#include <memory>
#include <utility>

#include <fmt/format.h>

#include "vision/clip_clock.h"
#include "vision/light_bands.h"
#include "vision/other_way.h"
#include "vision/point_stages.h"
#include "vision/read_pipeline.h"
#include "vision/refusal.h"
#include "vision/statistics.h"
#include "vision/still_edges.h"
#include "vision/survey.h"

namespace conebook::vision {
namespace {

using calib::Flag;
using calib::Severity;

void FlagFootage(const FootageFormat& format, const DecodeOutcome& outcome, std::vector<Flag>& flags) {
  const std::int64_t declared = format.declared_frames.value_or(outcome.frames);
  const auto slack = std::max<std::int64_t>(2, declared / 50);
  if (outcome.errors > 0 || declared - outcome.frames > slack) {
    flags.push_back(
        {"truncated", Severity::kWarn, std::nullopt, std::nullopt,
         fmt::format("{} of {} declared frames decode, with {} decoder error{}; measured on what decoded",
                     outcome.frames, declared, outcome.errors, outcome.errors == 1 ? "" : "s"),
         "copy the clip from the camera again"});
  }
  if (format.transfer == Transfer::kHdr) {
    flags.push_back({"no_linear_light", Severity::kWarn, std::nullopt, std::nullopt,
                     "the clip is tone-mapped (HDR); light cannot be had from it",
                     "film in standard dynamic range"});
  }
}

// Refused because no cone was seen, and for nothing else?
bool SaysNoCone(const Flag& flag) {
  return flag.severity == Severity::kReject && (flag.code == "no_cone" || flag.code == "not_a_cone");
}
bool OnlyNoCone(const std::vector<Flag>& flags) {
  bool any = false;
  for (const Flag& flag : flags) {
    if (flag.severity != Severity::kReject) continue;
    if (!SaysNoCone(flag)) return false;
    any = true;
  }
  return any;
}
void DropNoCone(std::vector<Flag>& flags) {
  std::erase_if(flags, SaysNoCone);
}

}  // namespace

std::vector<std::size_t> FramesIn(const ClipReading::Kept& kept, const TimeSpan& span) {
  std::vector<std::size_t> frames;
  std::vector<std::size_t> whole;
  for (std::size_t k = 0; k < kept.time_s.size(); ++k) {
    if (kept.time_s[k] < span.t0_s || kept.time_s[k] > span.t1_s) continue;
    if (kept.spool.Head(k).corrupt || (!kept.repeated.empty() && kept.repeated[k])) continue;
    frames.push_back(k);
    if (!kept.spool.Head(k).tainted) whole.push_back(k);
  }
  // Frames predicted from a damaged one show its blocks for a while.
  constexpr std::size_t kEnoughFrames = 20;
  return whole.size() >= kEnoughFrames ? whole : frames;
}

ClipReading::ClipReading() = default;
ClipReading::ClipReading(ClipReading&&) noexcept = default;
ClipReading& ClipReading::operator=(ClipReading&&) noexcept = default;
ClipReading::~ClipReading() = default;

bool ClipReading::Rejected() const {
  return std::any_of(flags.begin(), flags.end(),
                     [](const Flag& f) { return f.severity == Severity::kReject; });
}

namespace {

ClipReading ReadOneWay(const std::string& path, const View& view, const ReadOptions& options,
                       const SurveyOptions& survey_options) {
  ClipReading reading;
  reading.kept = std::make_unique<ClipReading::Kept>();
  ClipReading::Kept& kept = *reading.kept;
  kept.path = path;
  SurveyResult survey = Survey(path, view, survey_options);
  kept.model = std::move(survey.model);
  reading.flags = survey.flags;
  const FootageFormat& format = kept.model.format;
  kept.threads = options.threads;
  std::vector<double> stamps;
  DecodeOutcome outcome;
  const auto read_all = [&] {
    kept.spool = RecordSpool(kept.model.rows, (kept.model.rows + kRayRowStep - 1) / kRayRowStep);
    kept.stills.emplace(format);
    outcome = ReadAllFrames(path, view, kept.model, options, kept.spool, *kept.stills);
    stamps.clear();
    for (std::size_t k = 0; k < kept.spool.Frames(); ++k) stamps.push_back(kept.spool.Head(k).stamp_s);
  };
  // The head of a clip may show a spray that has not opened yet: true if the rest, or its stage, can be
  // measured.
  std::optional<SecondLook> second;
  const auto look_again = [&] {
    second = LookAgain(path, view, kept.model, survey.first_spray_frame.value_or(0), outcome.frames,
                       options.threads);
    if (!second) return false;
    kept.model = second->model;
    kept.outline_only = !second->cone;
    read_all();
    return true;
  };
  if (reading.Rejected()) {
    outcome = CountFrames(path, view, options, stamps);
    if (OnlyNoCone(reading.flags) && look_again()) DropNoCone(reading.flags);
  } else {
    read_all();
  }
  const ClipClock clock =
      ClockOf(stamps, kept.spool, survey.first_spray_frame, format, view, ClockOptions{}, reading.flags);
  kept.frame_interval_s = clock.interval_s;
  kept.time_s = clock.time_s;
  kept.repeated = clock.repeated;
  ClipFacts& facts = reading.facts;
  facts.pace_known = clock.steady;
  facts.frames = outcome.frames;
  facts.width_px = format.UprightWidth();
  facts.height_px = format.UprightHeight();
  facts.duration_s = kept.time_s.empty() ? 0.0 : kept.time_s.back() + clock.interval_s;
  const bool lit = !kept.model.background.empty();
  if (lit) facts.illumination = kept.model.illumination;
  facts.illumination_stated = kept.model.illumination_stated;
  facts.recorded_at = format.recorded_at;
  if (survey.first_spray_frame) {
    facts.spray_start_s = survey.first_spray_stamp_s * clock.scale;
    const auto at = static_cast<std::size_t>(*survey.first_spray_frame);
    if (at < kept.time_s.size()) facts.spray_start_s = kept.time_s[at];
    facts.u_spray_start_s = survey.u_first_spray_s * clock.scale;
    for (const double stamp_s : survey.onset_stamp_s)
      facts.onset_s.push_back(*facts.spray_start_s + (stamp_s - survey.first_spray_stamp_s) * clock.scale);
    facts.onset_level = survey.onset_level;
  }
  FlagFootage(format, outcome, reading.flags);
  if (reading.Rejected()) return reading;
  if (view.shows == Shows::kDrops) return reading;
  if (kept.model.exit_found) {
    const cv::Point2d exit = Apply(kept.model.reading.upright_from_reading, kept.model.exit_px);
    reading.flags.push_back(
        {"exit_found", Severity::kInfo, std::nullopt, std::nullopt,
         fmt::format("exit_px is not stated; found at [{:.1f}, {:.1f}] px", exit.x, exit.y),
         "state [nozzle] exit_px"});
  }
  if (kept.model.background_from_spray) {
    reading.flags.push_back(
        {"no_spray_free_frames", Severity::kInfo, std::nullopt, std::nullopt,
         survey.first_spray_frame ? "none of the frames before the spray could serve as background: it was "
                                    "continued from the sides"
                                  : "the clip does not show the spray begin, so no frame is known to be free "
                                    "of it: the background "
                                    "was continued from the sides",
         "start filming a second before the valve opens, with light in which the spray shows clearly"});
  }
  {
    const SteadinessOptions steadiness;
    const SceneSteadiness seen = JudgeScene(kept.model, kept.spool, survey.first_spray_frame, steadiness);
    MotionEffect effect;
    if (seen.Moves()) {
      kept.model.follow_scene = true;
      read_all();
      effect = EffectOfMotion(seen, JudgeScene(kept.model, kept.spool, survey.first_spray_frame, steadiness),
                              steadiness);
      kept.motion = effect;
    }
    FlagScene(seen, effect, reading.flags);
    FlagBands(kept.model, LightBandOptions{}, reading.flags);
    const StillEdgeOptions still_options;
    const StillEdges still =
        FindStillEdges(kept.model, kept.spool, FramesIn(kept, SteadySpray(reading)), still_options);
    if (still.Any()) {
      kept.model.covered = still.rows;
      read_all();
    }
    FlagStillEdges(still, still_options, reading.flags);
  }
  const auto check = [&] {
    RefusalOptions refusal;
    if (kept.outline_only) {  // no cone to be expected
      refusal.least_frames_with_cone = refusal.least_found = 0.0;
      refusal.least_half_angle_deg = refusal.doubt_half_angle_deg = 0.0;
    }
    std::vector<std::size_t> frames = FramesIn(kept, SteadySpray(reading));
    if (second && second->cone) {
      frames.clear();
      for (std::size_t k = 0; k < kept.spool.Frames(); ++k) {
        const FrameRecord& head = kept.spool.Head(k);
        if (head.index >= second->first && head.index <= second->last && !head.corrupt) frames.push_back(k);
      }
    }
    return CheckClip(kept.model, kept.spool, frames, refusal);
  };
  std::vector<Flag> found = check();
  if (!second && OnlyNoCone(found) && look_again()) found = check();
  reading.flags.insert(reading.flags.end(), found.begin(), found.end());
  return reading;
}

}  // namespace

ClipReading ReadClip(const std::string& path, const View& view, const ReadOptions& options) {
  SurveyOptions survey_options;
  survey_options.threads = options.threads;
  survey_options.should_stop = options.should_stop;
  ClipReading reading = ReadOneWay(path, view, options, survey_options);
  if (reading.Rejected()) NameOtherWay(path, view, survey_options, reading.flags);
  return reading;
}

TimeSpan SteadySpray(const ClipReading& reading) {
  const ClipReading::Kept& kept = *reading.kept;
  const std::size_t n = kept.spool.Frames();
  if (n == 0) return {0.0, 0.0};
  std::size_t first = 0;
  if (reading.facts.spray_start_s) {
    while (first < n && kept.time_s[first] < *reading.facts.spray_start_s) ++first;
  }
  std::vector<double> widths;
  for (std::size_t k = first + (n - first) / 3; k < n; ++k) {
    if (kept.spool.Head(k).width > 0.0F) widths.push_back(static_cast<double>(kept.spool.Head(k).width));
  }
  if (widths.size() < 3) return {kept.time_s[std::min(first, n - 1)], kept.time_s.back()};
  std::vector<double> copy = widths;
  const double level = MedianInPlace(copy);
  const double tolerance = std::max(0.04 * level, 2.0 * RobustSpread(widths));
  const auto steady = [&](std::size_t k) {
    const float w = kept.spool.Head(k).width;
    return w > 0.0F && std::abs(static_cast<double>(w) - level) <= tolerance;
  };
  // Five frames in a row at the level: started; the last such five: still on.
  const auto five = [&](std::size_t k) {
    for (std::size_t j = k; j < k + 5; ++j) {
      if (j >= n || !steady(j)) return false;
    }
    return true;
  };
  std::size_t a = first;
  while (a + 5 < n && !five(a)) ++a;
  if (a + 5 >= n) a = first;
  std::size_t b = n - 1;
  while (b > a + 5 && !five(b - 4)) --b;
  if (b <= a + 5) b = n - 1;
  if (reading.facts.spray_start_s && b > a + 20) a += std::max<std::size_t>(2, (b - a) / 20);
  return {kept.time_s[a], kept.time_s[b]};
}

}  // namespace conebook::vision
