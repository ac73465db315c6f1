#include "src/sync.h"

#include <algorithm>
#include <cmath>

#include <fmt/core.h>

#include <calib/error.h>

#include "src/camera_files.h"
#include "src/clip_times.h"
#include "src/iso_date.h"

namespace conebook::src {
namespace {

using calib::Severity;

constexpr double kSettleMarginS = 0.05;  // for the spray to follow the pressure
constexpr double kShortestWindowS = 0.15;
constexpr double kShortestShare = 0.15;  // of a short clip
// A clip shorter than the greater of these is hardly resolved by the log, or by where a stretch is said to
// begin.
constexpr double kRowsInAClip = 10.0;
constexpr double kShortClipS = 0.2;
constexpr double kStretchEdgeS = 0.1;  // how far a stretch may have been drawn in at either end
constexpr double kMeterLagS = 0.15;    // a meter's answer to a valve, of which nothing better is known
constexpr double kFilledLagS = 0.1;    // the same, for half of a fall; a meter of 20 to 300 ms
constexpr double kSmoothS = 0.2, kOnTheWayS = 0.6;
constexpr double kFillExcess = 1.12;  // above what a regulator that overshoots gives
constexpr double kLooseS = 0.2;       // a stated offset of more u than this only says whereabouts
constexpr double kOffShare = 0.2;     // "at zero" before a rise: below this share of the step

calib::Quantity Offset(double value_s, std::vector<calib::Contribution> budget) {
  return calib::Combine(value_s, std::move(budget));
}

Sync ByOnset(const Onset& onset, const vision::ClipFacts& clip) {
  Sync sync;
  sync.log_minus_video_s = Offset(onset.t_s - *clip.spray_start_s,
                                  {{"rise in the log", onset.u_s, calib::Shared::kClip},
                                   {"first spray frame", clip.u_spray_start_s, calib::Shared::kClip}});
  sync.method = "onset";
  return sync;
}

// Stretches of which the clip may show some, wherever within two u the offset lies.
std::size_t PossibleStretches(const std::vector<SteadyStretch>& stretches, const calib::Stated& stated,
                              const vision::ClipFacts& clip) {
  const double from_s = stated.value - 2.0 * stated.u, to_s = stated.value + clip.duration_s + 2.0 * stated.u;
  return static_cast<std::size_t>(std::count_if(
      stretches.begin(), stretches.end(),
      [&](const SteadyStretch& stretch) { return stretch.t1_s > from_s && stretch.t0_s < to_s; }));
}

void RequireOverlap(const StandLog& log, const vision::ClipFacts& clip, double offset_s, double u_s) {
  const double begin_s = offset_s, end_s = offset_s + clip.duration_s;
  const double slack_s = 2.0 * u_s;
  if (end_s + slack_s >= log.time_s.front() && begin_s - slack_s <= log.time_s.back()) return;
  throw calib::InputError(
      fmt::format("{}: the log does not overlap the video: it runs from {:.3f} to {:.3f} s, the video from "
                  "{:.3f} to {:.3f} s of log "
                  "time; check [sync] log_minus_video_s in the rig, and that log and clip belong together",
                  log.path, log.time_s.front(), log.time_s.back(), begin_s, end_s));
}

// When a flow that was above the level has come half the way down to it; nothing: it never was. Over a fifth
// of a second, as single rows of a pulse counter may be all or none.
std::optional<double> EndOfFilling(const std::vector<double>& t, const std::vector<double>& flow,
                                   std::size_t off, std::size_t steady, double level) {
  const auto smooth = [&](std::size_t row) {
    double sum = 0.0;
    int count = 0;
    for (std::size_t i = row; i < t.size() && t[i] - t[row] <= 0.5 * kSmoothS; ++i, ++count) sum += flow[i];
    for (std::size_t i = row; i-- > 0 && t[row] - t[i] <= 0.5 * kSmoothS; ++count) sum += flow[i];
    return sum / count;
  };
  // A short filling may be over before a slow meter has shown it: the stretch then begins on the way.
  for (const double until_s = t[steady] + kOnTheWayS; steady + 1 < t.size() && t[steady] < until_s;) ++steady;
  double peak = 0.0;
  for (std::size_t i = off; i <= steady; ++i) peak = std::max(peak, smooth(i));
  if (!(peak > kFillExcess * level)) return std::nullopt;
  const double half = 0.5 * (peak + level);
  for (std::size_t i = steady; i > off; --i) {
    const double here = smooth(i), before = smooth(i - 1);
    if (before <= half || here > half) continue;
    return t[i - 1] + (before - half) / (before - here) * (t[i] - t[i - 1]);
  }
  return std::nullopt;
}

}  // namespace

std::vector<Onset> FindOnsets(const StandLog& log, const std::vector<double>& pressure_bar,
                              const std::vector<SteadyStretch>& stretches, PressureTap tap) {
  // Upstream of the valve the pressure does not rise when the spray starts: then only the flow shows it.
  const bool by_flow = tap == PressureTap::kTank && !log.flow.empty();
  const std::vector<double>& signal = by_flow ? log.flow : pressure_bar;
  const auto mean_of = [&](const SteadyStretch& stretch) {
    double sum = 0.0;
    for (std::size_t i = stretch.first; i <= stretch.last; ++i) sum += signal[i];
    return sum / static_cast<double>(stretch.last - stretch.first + 1);
  };
  std::vector<Onset> onsets;
  std::size_t from = 0;
  for (const SteadyStretch& stretch : stretches) {
    const double level = mean_of(stretch);
    // The last row at zero before this stretch, after the stretch before it.
    std::optional<std::size_t> off;
    for (std::size_t i = from; i < stretch.first; ++i) {
      if (signal[i] < kOffShare * level) off = i;
    }
    from = stretch.last;
    if (!off) continue;
    const auto crossing_s = [&](double share) {
      std::size_t i = *off;
      while (i < stretch.last && signal[i] < share * level) ++i;
      const std::size_t before = i > 0 ? i - 1 : i;
      const double rise = signal[i] - signal[before];
      const double part = rise > 0.0 ? std::clamp((share * level - signal[before]) / rise, 0.0, 1.0) : 1.0;
      return log.time_s[before] + part * (log.time_s[i] - log.time_s[before]);
    };
    Onset& onset = onsets.emplace_back();
    onset.t_s = crossing_s(0.5);
    // 20 to 80 % of the step: liquid reaches the exit somewhere within the rise.
    const double rise_s = std::max(0.0, crossing_s(0.8) - crossing_s(kOffShare));
    const double interval_s = log.MedianInterval_s();
    const double meter_s = by_flow ? kMeterLagS : 0.0;
    if (by_flow) onset.t_s -= 0.5 * kMeterLagS;
    onset.u_s = std::sqrt((interval_s * interval_s + rise_s * rise_s + meter_s * meter_s) / 12.0);
    // A line that fills takes more than the element will pass; the spray starts as that comes to its end.
    const std::optional<double> filled_s =
        by_flow ? EndOfFilling(log.time_s, signal, *off, stretch.first, level) : std::nullopt;
    if (filled_s && *filled_s > onset.t_s) {
      onset.t_s = *filled_s - kFilledLagS;
      onset.u_s = std::hypot(interval_s / std::sqrt(12.0), kFilledLagS);
    }
  }
  for (Onset& onset : onsets) onset.rises = static_cast<int>(onsets.size());
  return onsets;
}

std::optional<Onset> FindOnset(const StandLog& log, const std::vector<double>& pressure_bar,
                               const std::vector<SteadyStretch>& stretches, PressureTap tap) {
  const std::vector<Onset> onsets = FindOnsets(log, pressure_bar, stretches, tap);
  return onsets.empty() ? std::nullopt : std::optional<Onset>(onsets.front());
}

std::optional<calib::Stated> OffsetByClocks(const Rig& rig, const StandLog& log,
                                            const vision::ClipFacts& clip) {
  const auto recorded = ClockTimeIn(clip.recorded_at);
  if (!log.clock || !recorded || !clip.pace_known || !(clip.duration_s > 0.0)) return std::nullopt;
  CameraFile file;
  file.duration_s = clip.duration_s;
  // A container in UTC may say when recording began or when it ended; one with a zone says when it began.
  file.time = FileTime{*recorded, FileTime::From::kContainer, recorded->zone == ClockTime::Zone::kOffset};
  const ClipTime time = TieClips({file}, log, &rig, {}).clips.front();
  if (!time.begins_s) return std::nullopt;
  const double offset_s = *time.begins_s - log.clock->epoch_s;
  if (offset_s + clip.duration_s < log.time_s.front() || offset_s > log.time_s.back()) return std::nullopt;
  const ClipTimesOptions options;
  const double open_s = 2.0 * options.tolerance_s + (file.time->is_start ? 0.0 : clip.duration_s) +
                        (recorded->whole_seconds ? 1.0 : 0.0);
  return calib::Stated{offset_s, open_s / std::sqrt(12.0), false, false};
}

SyncResult TieLogToVideo(const Rig& rig, const StandLog& log, const std::vector<double>& pressure_bar,
                         const std::vector<SteadyStretch>& stretches, const vision::ClipFacts& clip,
                         const vision::TimeSpan& steady_spray,
                         const std::optional<calib::Quantity>& by_lamp) {
  const auto onsets_near = [&](const calib::Stated& about) {
    std::vector<Onset> near;
    if (!clip.spray_start_s) return near;
    for (const Onset& onset : FindOnsets(log, pressure_bar, stretches, rig.stand.tap)) {
      const double off_s = std::abs(onset.t_s - *clip.spray_start_s - about.value);
      if (off_s <= 2.0 * std::hypot(about.u, onset.u_s)) near.push_back(onset);
    }
    return near;
  };
  SyncResult result;
  Sync& sync = result.sync.emplace();
  const auto flag = [&](const char* code, Severity severity, std::string message, const char* advice) {
    result.flags.push_back({code, severity, std::nullopt, std::string("sync"), std::move(message), advice});
  };
  if (!clip.pace_known) {
    flag("sync_unknown", Severity::kWarn,
         "log and video cannot be tied: the clip's pace changes in a way that is not known; the spray is "
         "measured "
         "without pressure",
         "measure the clip as the camera wrote it, before any editing");
    result.sync.reset();
    return result;
  }
  if (by_lamp) {
    sync.log_minus_video_s = *by_lamp;
    sync.method = "lamp";
    RequireOverlap(log, clip, by_lamp->value, by_lamp->u);
    return result;
  }
  if (rig.log_minus_video_s) {
    const calib::Stated& stated = *rig.log_minus_video_s;
    const std::string source = stated.u_assumed ? fmt::format("stated offset (assumed {:g} s)", stated.u)
                                                : std::string("stated offset");
    sync.log_minus_video_s = Offset(stated.value, {{source, stated.u, calib::Shared::kClip}});
    sync.method = "given";
    RequireOverlap(log, clip, stated.value, stated.u);
    if (stated.u_assumed || stated.u <= kLooseS) return result;
    const std::vector<Onset> near = onsets_near(stated);
    if (near.size() == 1) {
      sync = ByOnset(near.front(), clip);
    } else if (near.size() > 1) {
      flag(
          "sync_ambiguous", Severity::kWarn,
          fmt::format("the offset is stated to {:.1f} s (u), and the log rises from zero {} times within two "
                      "of that: which rise the clip shows is not known",
                      stated.u, near.size()),
          "state [sync] log_minus_video_s more closely");
    } else if (PossibleStretches(stretches, stated, clip) > 1) {
      flag("sync_unknown", Severity::kWarn,
           fmt::format(
               "log and video cannot be tied: the offset is stated to {:.1f} s (u), the pressure changes "
               "within that, and {}; the spray is measured without pressure",
               stated.u,
               clip.spray_start_s ? "the log shows no rise where the spray begins"
                                  : "the clip does not show the spray begin"),
           "state [sync] log_minus_video_s more closely, or film from before the valve opens");
      result.sync.reset();
    }
    return result;
  }
  const auto onset = FindOnset(log, pressure_bar, stretches, rig.stand.tap);
  const std::optional<calib::Stated> clocks = OffsetByClocks(rig, log, clip);
  const std::vector<Onset> pointed_to = clocks ? onsets_near(*clocks) : std::vector<Onset>{};
  if (onset && clip.spray_start_s && pointed_to.size() == 1) {
    sync = ByOnset(pointed_to.front(), clip);
    if (onset->rises > 1) {
      flag("sync_by_clock", Severity::kInfo,
           fmt::format(
               "of the log's {} rises from zero, the clocks of camera and log point to the one at {:.2f} s",
               onset->rises, pointed_to.front().t_s),
           "");
    }
    return result;
  }
  if (onset && clip.spray_start_s) {
    sync = ByOnset(*onset, clip);
    if (onset->rises > 1) {
      flag("sync_ambiguous", Severity::kWarn,
           fmt::format("the log rises from zero {} times; the clip was tied to the first rise, at {:.2f} s",
                       onset->rises, onset->t_s),
           "state [sync] log_minus_video_s, or give each clip its own log");
    }
    RequireOverlap(log, clip, sync.log_minus_video_s.value, sync.log_minus_video_s.u);
    return result;
  }
  if (clocks && PossibleStretches(stretches, *clocks, clip) <= 1) {
    sync.log_minus_video_s =
        Offset(clocks->value, {{"clocks of camera and log", clocks->u, calib::Shared::kClip}});
    sync.method = "clock";
    flag(
        "sync_by_clock", Severity::kInfo,
        fmt::format("log and video are tied by the file's creation time and the log's clock, u {:.1f} s; one "
                    "steady pressure at most lies within that",
                    clocks->u),
        "film from before the valve opens, or have a lamp in view, for a closer tie");
    return result;
  }
  sync.method = "assumed";
  const char* const why = clip.spray_start_s ? "the log does not show the pressure leaving zero"
                                             : "the clip does not show the spray begin";
  const char* const advice = "state [sync] log_minus_video_s, or film and log from before the valve opens";
  const double log_span_s = log.time_s.back() - log.time_s.front();
  if (stretches.size() == 1) {
    // One pressure: whatever the offset, the steady spray is that point. Middle on middle.
    const SteadyStretch& only = stretches.front();
    const double offset_s = 0.5 * (only.t0_s + only.t1_s) - 0.5 * (steady_spray.t0_s + steady_spray.t1_s);
    const double play_s = std::abs((only.t1_s - only.t0_s) - (steady_spray.t1_s - steady_spray.t0_s));
    sync.log_minus_video_s =
        Offset(offset_s, {{"play between clip and log", play_s / std::sqrt(12.0), calib::Shared::kClip}});
    flag("sync_assumed", Severity::kWarn,
         fmt::format("{}; the log holds one steady pressure, and the spray was taken to be at it", why),
         advice);
    return result;
  }
  // Recorded together, started together: believable only when both last about as long.
  const double longer_s = std::max(log_span_s, clip.duration_s);
  if (!(std::abs(log_span_s - clip.duration_s) <= 0.1 * longer_s)) {
    flag("sync_unknown", Severity::kWarn,
         fmt::format(
             "log and video cannot be tied: {}, and they differ in length ({:.2f} s and {:.2f} s), so that "
             "they cannot be taken to start together; the spray is measured without pressure",
             why, log_span_s, clip.duration_s),
         advice);
    result.sync.reset();
    return result;
  }
  const double u_s =
      std::max(std::abs(log_span_s - clip.duration_s), log.MedianInterval_s()) / std::sqrt(12.0);
  sync.log_minus_video_s =
      Offset(log.time_s.front(), {{"log and clip start together (assumed)", u_s, calib::Shared::kClip}});
  flag("sync_assumed", Severity::kWarn,
       fmt::format("{}; log and clip were taken to start together, as they last about as long", why), advice);
  return result;
}

std::optional<vision::TimeSpan> VideoWindow(const SteadyStretch& stretch, const Sync& sync,
                                            const vision::ClipFacts& clip, double log_interval_s,
                                            const vision::TimeSpan& steady_spray) {
  const double offset_s = sync.log_minus_video_s.value;
  const bool coarse_log = clip.duration_s < std::max(kShortClipS, kRowsInAClip * log_interval_s);
  const double slack_s = coarse_log ? std::max(log_interval_s, kStretchEdgeS) : 0.0;
  const double earliest_s = coarse_log ? steady_spray.t0_s : clip.spray_start_s.value_or(0.0);
  const double latest_s = coarse_log ? steady_spray.t1_s : clip.duration_s;
  const double lo_s = std::max(stretch.t0_s - slack_s - offset_s, earliest_s);
  const double hi_s = std::min(stretch.t1_s + slack_s - offset_s, latest_s);
  const double span_s = hi_s - lo_s;
  if (!(span_s >= std::min(kShortestWindowS, kShortestShare * clip.duration_s))) return std::nullopt;
  // Drawn in, but never to nothing: the middle of a stretch is the best bet however loose the tie.
  const double settle_s = std::min(kSettleMarginS, 0.1 * span_s);
  // Only the stretch's own ends are uncertain by the tie: where the clip itself bounds the window far from
  // them, there is nothing to keep clear of.
  const double tie_s = 2.0 * sync.log_minus_video_s.u;
  const double before_s = std::max(0.0, stretch.t0_s - slack_s - offset_s + tie_s - lo_s);
  const double after_s = std::max(0.0, hi_s - (stretch.t1_s + slack_s - offset_s - tie_s));
  const bool from_clip = lo_s == earliest_s && coarse_log, to_clip = hi_s == latest_s;
  const double in_s = from_clip ? 0.0 : std::min(before_s + settle_s, span_s / 3.0);
  const double out_s = !to_clip     ? std::min(after_s + settle_s, span_s / 3.0)
                       : coarse_log ? 0.0
                                    : std::min(after_s, span_s / 3.0);
  return vision::TimeSpan{lo_s + in_s, hi_s - out_s};
}

}  // namespace conebook::src
