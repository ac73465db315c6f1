#include "src/lamp_sync.h"

#include <algorithm>
#include <cmath>

#include <fmt/core.h>

namespace conebook::src {
namespace {

using calib::Severity;

constexpr double kBothWays = 0.2;  // beyond the middle, of the whole step: what a noisy column must pass
constexpr double kSwitchingS =
    0.001;  // lamp and column are not switched at one moment: an LED, a logger's channel
constexpr std::size_t kMostShown = 400;

struct Match {
  double offset_s = 0.0;  // as tried
  std::size_t lamp = 0;
  int matched = 0, missed = 0;
  double lo_s = -1e300, hi_s = 1e300;  // what all pairs of steps leave open
  double sum_s = 0.0, widest_s = 0.0;
};

Match TryOffset(const std::vector<LampStep>& log, const std::vector<LampStep>& video,
                const vision::SignalLamp& lamp, double offset_s) {
  Match match;
  match.offset_s = offset_s;
  std::vector<bool> used(log.size(), false);
  for (const LampStep& seen : video) {
    std::size_t best = log.size();
    for (std::size_t j = 0; j < log.size(); ++j) {
      const double off_s = std::abs(log[j].t_s - seen.t_s - offset_s);
      // Two steps that were one lie this far apart at most, and so does the pair the offset is from.
      if (log[j].on != seen.on || used[j] || off_s > 2.0 * (log[j].half_s + seen.half_s) + kSwitchingS)
        continue;
      if (best == log.size() || off_s < std::abs(log[best].t_s - seen.t_s - offset_s)) best = j;
    }
    if (best == log.size()) {
      ++match.missed;
      continue;
    }
    used[best] = true;
    ++match.matched;
    const double half_s = log[best].half_s + seen.half_s, off_s = log[best].t_s - seen.t_s;
    match.lo_s = std::max(match.lo_s, off_s - half_s);
    match.hi_s = std::min(match.hi_s, off_s + half_s);
    match.sum_s += off_s;
    match.widest_s = std::max(match.widest_s, 2.0 * std::hypot(log[best].half_s, seen.half_s));
  }
  // Steps of the log that the clip must have shown.
  for (std::size_t j = 0; j < log.size(); ++j) {
    const double at_s = log[j].t_s - offset_s;
    const double clear_s = 2.0 * log[j].half_s + (video.empty() ? 0.0 : 2.0 * video.front().half_s);
    if (!used[j] && at_s > lamp.t_s.front() + clear_s && at_s < lamp.t_s.back() - clear_s) ++match.missed;
  }
  return match;
}

calib::Quantity OffsetOf(const Match& match) {
  const double width_s = match.hi_s - match.lo_s;
  // Steps that leave nothing open between them contradict each other a little: their mean, and what one is
  // known to.
  const bool common = width_s > 0.0;
  const double middle_s = common ? 0.5 * (match.lo_s + match.hi_s) : match.sum_s / match.matched;
  const double u_s = (common ? std::min(width_s, match.widest_s) : match.widest_s) / std::sqrt(12.0);
  return calib::Combine(middle_s,
                        {{"steps of the lamp", u_s, calib::Shared::kClip},
                         {"lamp against its column (assumed 1 ms)", kSwitchingS, calib::Shared::kClip}});
}

std::vector<std::size_t> Shown(const std::vector<double>& t_s, double from_s, double to_s) {
  std::vector<std::size_t> rows;
  for (std::size_t i = 0; i < t_s.size(); ++i)
    if (t_s[i] >= from_s && t_s[i] <= to_s) rows.push_back(i);
  const std::size_t step = std::max<std::size_t>(1, (rows.size() + kMostShown - 1) / kMostShown);
  std::vector<std::size_t> kept;
  for (std::size_t k = 0; k < rows.size(); k += step) kept.push_back(rows[k]);
  return kept;
}

double Rounded(double value) {
  return std::round(1e3 * value) / 1e3;
}

// About the lamp's first steps that both show: a whole day of steps shows nothing of any.
SyncPicture LampPicture(const StandLog& log, const std::string& column, const vision::SignalLamp& lamp,
                        double offset_s) {
  constexpr double kAroundS = 2.0, kMostS = 12.0;
  const std::vector<LampStep> steps = StepsOf(lamp.t_s, lamp.level);
  const double from_s = steps.front().t_s - kAroundS;
  const double to_s = std::min(steps.back().t_s + kAroundS, from_s + kMostS);
  SyncPicture picture;
  picture.seen = "lamp";
  picture.column = column;
  for (const std::size_t i : Shown(lamp.t_s, from_s, to_s)) {
    picture.video_s.push_back(lamp.t_s[i]);
    picture.level.push_back(Rounded(lamp.level[i]));
  }
  const auto [low, high] = std::minmax_element(log.lamp.begin(), log.lamp.end());
  for (const std::size_t i : Shown(log.time_s, from_s + offset_s, to_s + offset_s)) {
    picture.log_s.push_back(log.time_s[i]);
    picture.log_level.push_back(Rounded((log.lamp[i] - *low) / (*high - *low)));
  }
  return picture;
}

}  // namespace

std::optional<std::string> LampColumnOf(const Rig& rig) {
  const TomlNode* const sync = rig.document.Find("sync");
  const TomlNode* const column = sync == nullptr ? nullptr : sync->Find("lamp_column");
  return column == nullptr ? std::nullopt : std::optional(column->text);
}

std::vector<LampStep> StepsOf(const std::vector<double>& t_s, const std::vector<double>& level) {
  std::vector<LampStep> steps;
  if (level.size() < 2) return steps;
  const auto [low, high] = std::minmax_element(level.begin(), level.end());
  const double size = *high - *low;
  if (!(size > 0.0)) return steps;
  const auto share = [&, from = *low](std::size_t i) { return (level[i] - from) / size; };
  bool on = share(0) > 0.5;
  std::size_t before = 0;  // the last row on the side where it was
  for (std::size_t i = 1; i < level.size(); ++i) {
    if ((share(i) > 0.5) == on) {
      before = i;
      continue;
    }
    // It has come so far that noise did not do it.
    if (on ? share(i) > 0.5 - kBothWays : share(i) < 0.5 + kBothWays) continue;
    on = !on;
    steps.push_back({0.5 * (t_s[before] + t_s[before + 1]), 0.5 * (t_s[before + 1] - t_s[before]), on});
    before = i;
  }
  return steps;
}

LampTies TieByLamp(const std::vector<double>& log_time_s, const std::vector<double>& column,
                   const std::vector<vision::SignalLamp>& lamps, const std::optional<calib::Stated>& about) {
  LampTies ties;
  const std::vector<LampStep> log = StepsOf(log_time_s, column);
  std::vector<Match> best;
  for (std::size_t l = 0; l < lamps.size(); ++l) {
    const std::vector<LampStep> video = StepsOf(lamps[l].t_s, lamps[l].level);
    for (const LampStep& seen : video) {
      for (const LampStep& logged : log) {
        if (seen.on != logged.on) continue;
        const double offset_s = logged.t_s - seen.t_s, play_s = logged.half_s + seen.half_s;
        if (about && std::abs(offset_s - about->value) > 2.0 * about->u + play_s) continue;
        Match match = TryOffset(log, video, lamps[l], offset_s);
        match.lamp = l;
        // One step in five may be missed where there are many: a flash between two rows of the log.
        if (match.missed * 5 > match.matched) continue;
        const int worth = match.matched - 2 * match.missed;
        const int most = best.empty() ? 0 : best.front().matched - 2 * best.front().missed;
        if (worth < most || worth <= 0) continue;
        if (worth > most) best.clear();
        const bool known = std::any_of(best.begin(), best.end(), [&](const Match& other) {
          return std::abs(other.offset_s - match.offset_s) <= 2.0 * (play_s + other.widest_s) + kSwitchingS;
        });
        if (!known) best.push_back(match);
      }
    }
  }
  ties.ways = best.size();
  if (best.size() == 1) ties.tie = LampTie{OffsetOf(best.front()), best.front().lamp, best.front().matched};
  return ties;
}

LampSync SyncByLamp(const Rig& rig, const StandLog& log, const std::string& clip_path,
                    const vision::ClipReading& clip, const vision::ReadOptions& reading,
                    const std::optional<calib::Stated>& about) {
  LampSync sync;
  const std::string column = LampColumnOf(rig).value_or("");
  const auto flag = [&](const char* code, Severity severity, std::string message, const char* advice) {
    sync.flags.push_back({code, severity, std::nullopt, std::string("sync"), std::move(message), advice});
  };
  if (!clip.facts.pace_known) return sync;  // no clock, no tie: said elsewhere
  const char* const advice =
      "let the lamp go on and off at least twice within the clip, clear of the spray and its reflections; "
      "state [sync] log_minus_video_s where two rows of steps look alike";
  if (StepsOf(log.time_s, log.lamp).empty()) {
    flag("lamp_not_found", Severity::kWarn,
         fmt::format("the log's column {} never changes: log and video cannot be tied by the lamp", column),
         advice);
    return sync;
  }
  const auto lamps = vision::FindSignalLamps(clip_path, rig.view, clip, reading);
  const LampTies ties = TieByLamp(log.time_s, log.lamp, lamps, about);
  if (!ties.tie) {
    flag("lamp_not_found", Severity::kWarn,
         ties.ways > 1 ? fmt::format("the lamp's steps in the video fit the log's column {} in {} ways",
                                     column, ties.ways)
         : lamps.empty()
             ? fmt::format("nothing in view steps between two levels of light as the lamp of the "
                           "log's column {} would",
                           column)
             : fmt::format("what steps in view does not do so as the log's column {} does", column),
         advice);
    return sync;
  }
  const vision::SignalLamp& lamp = lamps[ties.tie->lamp];
  sync.log_minus_video_s = ties.tie->log_minus_video_s;
  sync.picture = LampPicture(log, column, lamp, ties.tie->log_minus_video_s.value);
  flag("sync_by_lamp", Severity::kInfo,
       fmt::format(
           "log and video are tied by a lamp seen at [{:.0f}, {:.0f}] px: {} step{} of it and of the log's "
           "column {} agree",
           lamp.x_px, lamp.y_px, ties.tie->steps, ties.tie->steps == 1 ? "" : "s", column),
       ties.tie->steps == 1 ? "one step alone may be another's: let the lamp go on and off" : "");
  return sync;
}

std::optional<SyncPicture> SprayPicture(const Rig& rig, const StandLog& log,
                                        const std::vector<double>& gauge_bar, const vision::ClipFacts& clip,
                                        double log_minus_video_s) {
  if (!clip.spray_start_s || clip.onset_s.size() < 2) return std::nullopt;
  constexpr double kAroundS = 2.5;
  SyncPicture picture;
  picture.seen = "spray";
  for (const std::size_t i :
       Shown(clip.onset_s, *clip.spray_start_s - kAroundS, *clip.spray_start_s + kAroundS)) {
    picture.video_s.push_back(clip.onset_s[i]);
    picture.level.push_back(Rounded(clip.onset_level[i]));
  }
  const bool by_flow = rig.stand.tap == PressureTap::kTank && !log.flow.empty();
  const std::vector<double>& signal = by_flow ? log.flow : gauge_bar;
  picture.column = by_flow ? "flow" : "pressure";
  const double at_s = *clip.spray_start_s + log_minus_video_s;
  const std::vector<std::size_t> rows = Shown(log.time_s, at_s - kAroundS, at_s + kAroundS);
  double most = 0.0;
  for (const std::size_t i : rows) most = std::max(most, signal[i]);
  for (const std::size_t i : rows) {
    if (!(most > 0.0)) break;
    picture.log_s.push_back(log.time_s[i]);
    picture.log_level.push_back(Rounded(signal[i] / most));
  }
  return picture.video_s.size() < 2 || picture.log_s.size() < 2 ? std::nullopt : std::optional(picture);
}

}  // namespace conebook::src
