#include "src/clip_times.h"

#include <algorithm>
#include <cmath>
#include <map>

#include <fmt/format.h>

#include "src/discharge.h"
#include "src/pressure_points.h"

namespace conebook::src {
namespace {

using Zone = ClockTime::Zone;

constexpr double kQuarterS = 900.0, kHourS = 3600.0;
constexpr double kFarthestZoneS = 14.0 * kHourS;  // of UTC: the farthest in use, UTC+14
constexpr double kShortestOverlapS = 0.35;        // as a pressure point must last
constexpr double kAroundS = 60.0;                 // of log either side, for what is steady to be seen

// A span of the log's clock, seconds since 1970.
struct Span {
  double t0_s = 0.0, t1_s = 0.0;
};

class Log {
 public:
  Log(const StandLog& log, const Rig* rig) : log_(log), zero_s_(log.clock->epoch_s) {
    gauge_bar_ = log.pressure_bar;
    for (double& bar : gauge_bar_) bar = rig != nullptr ? GaugeBar(*rig, bar) : bar;
    const SteadyOptions steady;
    const auto highest = [](const std::vector<double>& values) {
      return values.empty() ? 0.0 : *std::max_element(values.begin(), values.end());
    };
    const double off_bar = std::max(steady.zero_bar, steady.zero_share * highest(gauge_bar_));
    const double shut = steady.zero_flow_share * highest(log.flow);
    active_.assign(log.Rows() + 1, 0);
    for (std::size_t i = 0; i < log.Rows(); ++i) {
      const bool flows = gauge_bar_[i] > off_bar && (log.flow.empty() || log.flow[i] > shut);
      active_[i + 1] = active_[i] + (flows ? 1 : 0);
    }
  }

  double First() const { return zero_s_ + log_.time_s.front(); }
  double Last() const { return zero_s_ + log_.time_s.back(); }
  double ToLogTime(double epoch_s) const { return epoch_s - zero_s_; }

  // How often liquid begins to flow before one of the steady stretches, within the span.
  std::size_t Rises(const Span& span, const std::vector<Span>& steady) const {
    std::size_t rises = 0;
    double from_s = span.t0_s;
    for (const Span& stretch : steady) {
      const std::size_t first = Row(from_s), last = Row(stretch.t0_s);
      if (last > first && active_[last] - active_[first] < last - first) ++rises;
      from_s = stretch.t1_s;
    }
    return rises;
  }

  // Liquid under pressure at some time within.
  bool Flows(const Span& span) const { return active_[Row(span.t1_s)] > active_[Row(span.t0_s)]; }

  std::vector<Span> Steady(const Span& span, std::vector<double>& bars) const {
    const std::size_t from = Row(span.t0_s - kAroundS), to = Row(span.t1_s + kAroundS);
    bars.clear();
    std::vector<Span> spans;
    constexpr std::size_t kFewestRows = 4;
    if (to - from < kFewestRows) return spans;
    const auto part = [&](const std::vector<double>& all) {
      if (all.empty()) return all;
      return std::vector<double>(all.begin() + static_cast<std::ptrdiff_t>(from),
                                 all.begin() + static_cast<std::ptrdiff_t>(to));
    };
    for (const SteadyStretch& one :
         FindSteadyStretches(part(log_.time_s), part(gauge_bar_), part(log_.flow))) {
      const Span found{zero_s_ + one.t0_s, zero_s_ + one.t1_s};
      if (found.t1_s <= span.t0_s || found.t0_s >= span.t1_s) continue;
      spans.push_back(found);
      bars.push_back(one.mean_bar);
    }
    return spans;
  }

 private:
  std::size_t Row(double epoch_s) const {
    return static_cast<std::size_t>(
        std::lower_bound(log_.time_s.begin(), log_.time_s.end(), ToLogTime(epoch_s)) - log_.time_s.begin());
  }

  const StandLog& log_;
  double zero_s_;
  std::vector<double> gauge_bar_;
  std::vector<std::size_t> active_;  // rows before each at which liquid flows
};

// When the clip may have begun, before any shift.
Span BeginsOf(const CameraFile& file, const ClipTimesOptions& options) {
  const FileTime& time = *file.time;
  const double at_s = time.clock.epoch_s;
  return {at_s - (time.is_start ? 0.0 : *file.duration_s) - options.tolerance_s,
          at_s + (time.clock.whole_seconds ? 1.0 : 0.0) + options.tolerance_s};
}

Span FilmedOf(const CameraFile& file, const ClipTimesOptions& options) {
  const Span begins = BeginsOf(file, options);
  return {begins.t0_s, begins.t1_s + *file.duration_s};
}

bool Fits(const Log& log, const Span& filmed, double shift_s) {
  const Span there{filmed.t0_s + shift_s, filmed.t1_s + shift_s};
  const double middle_s = 0.5 * (there.t0_s + there.t1_s);
  return middle_s >= log.First() && middle_s <= log.Last() && log.Flows(there);
}

std::string Signed(double seconds) {
  return fmt::format("{} {:.10g} s", seconds < 0.0 ? "-" : "+", std::abs(seconds));
}

std::string List(const std::vector<double>& shifts_s) {
  std::string text;
  constexpr std::size_t kMost = 4;
  for (std::size_t k = 0; k < shifts_s.size() && k < kMost; ++k)
    text += (k > 0 ? " and " : "") + Signed(shifts_s[k]);
  return text + (shifts_s.size() > kMost ? fmt::format(" and {} more", shifts_s.size() - kMost) : "");
}

// The shifts at which every one of the clips meets liquid under pressure.
std::vector<double> FittingShifts(const Log& log, const std::vector<Span>& filmed, double step_s,
                                  double farthest_s) {
  std::vector<double> shifts;
  for (double shift_s = -farthest_s; shift_s <= farthest_s; shift_s += step_s) {
    const bool all =
        std::all_of(filmed.begin(), filmed.end(), [&](const Span& span) { return Fits(log, span, shift_s); });
    if (all) shifts.push_back(shift_s);
  }
  return shifts;
}

// How many seconds of other offsets between the clocks, apart from those close by, do the same: with few
// clips and many runs a clock that is off by minutes fits some shift by chance.
double OtherOffsetsS(const Log& log, const std::vector<Span>& filmed, double shift_s, double farthest_s) {
  constexpr double kStepS = 1.0;
  const auto fits = [&](double at_s) {
    return std::all_of(filmed.begin(), filmed.end(), [&](const Span& span) { return Fits(log, span, at_s); });
  };
  double lo_s = shift_s, hi_s = shift_s, others_s = 0.0;
  while (lo_s > -farthest_s && fits(lo_s - kStepS)) lo_s -= kStepS;
  while (hi_s < farthest_s && fits(hi_s + kStepS)) hi_s += kStepS;
  for (double at_s = -farthest_s; at_s <= farthest_s; at_s += kStepS) {
    if ((at_s < lo_s || at_s > hi_s) && fits(at_s)) others_s += kStepS;
  }
  return others_s;
}

void FindPressure(const Log& log, const CameraFile& file, const ClipTimesOptions& options, double shift_s,
                  ClipTime& clip) {
  Span begins = BeginsOf(file, options);
  begins.t0_s += shift_s;
  begins.t1_s += shift_s;
  const double duration_s = *file.duration_s;
  const Span filmed{begins.t0_s, begins.t1_s + duration_s};
  const double middle_s = 0.5 * (begins.t0_s + begins.t1_s);
  clip.begins_s = middle_s;
  if (filmed.t1_s < log.First() || filmed.t0_s > log.Last()) {
    clip.why_blank = fmt::format("filmed at {} of the log's clock, outside the log ({} to {})",
                                 TimeOfDay(middle_s), TimeOfDay(log.First()), TimeOfDay(log.Last()));
    return;
  }
  std::vector<double> bars;
  const std::vector<Span> steady = log.Steady(filmed, bars);
  if (steady.empty()) {
    clip.why_blank = fmt::format("no steady pressure in the log from {} to {}", TimeOfDay(filmed.t0_s),
                                 TimeOfDay(filmed.t1_s));
    return;
  }
  // After one rise from zero the clip's first spray frame tells when it was, and so which pressure is which.
  const bool one_rise = log.Rises(filmed, steady) == 1;
  if (steady.size() > 1 && !one_rise) {
    std::string values;
    for (const double bar : bars) values += fmt::format("{}{:.2f}", values.empty() ? "" : ", ", bar);
    clip.why_blank = fmt::format("the pressure changed from {} to {} ({} bar), and not in one rise from zero",
                                 TimeOfDay(filmed.t0_s), TimeOfDay(filmed.t1_s), values);
    return;
  }
  // Else, whenever the clip began within what may be, it must show the pressure for long enough.
  const Span whole{steady.front().t0_s, steady.back().t1_s};
  const double wanted_s = std::min(kShortestOverlapS, 0.5 * duration_s);
  for (const double begin_s : {begins.t0_s, begins.t1_s}) {
    const double overlap_s = std::min(begin_s + duration_s, whole.t1_s) - std::max(begin_s, whole.t0_s);
    if (one_rise || overlap_s >= wanted_s) continue;
    clip.why_blank = fmt::format("filmed at about {}; the pressure was steady only from {} to {}",
                                 TimeOfDay(middle_s), TimeOfDay(whole.t0_s), TimeOfDay(whole.t1_s));
    return;
  }
  clip.pressures_bar = bars;
  clip.steady_t0_s = whole.t0_s;
  clip.steady_t1_s = whole.t1_s;
  clip.log_minus_video_s = log.ToLogTime(middle_s);
  clip.u_log_minus_video_s = (begins.t1_s - begins.t0_s) / std::sqrt(12.0);  // a rectangle: GUM 4.3.7
}

}  // namespace

ClipTimes TieClips(const std::vector<CameraFile>& files, const StandLog& log, const Rig* rig,
                   const ClipTimesOptions& options) {
  ClipTimes result;
  result.clips.resize(files.size());
  // Clips of one kind of clock share its shift.
  std::map<std::pair<FileTime::From, Zone>, std::vector<std::size_t>> clocks;
  for (std::size_t i = 0; i < files.size(); ++i) {
    if (!files[i].IsClip()) continue;
    std::string& why = result.clips[i].why_blank;
    if (!log.clock) {
      why = "the log has no clock times";
    } else if (!files[i].time) {
      why = "the file does not say when it was made";
      if (files[i].has_modified_time_only) why += "; --file-times takes its modification time";
    } else if (!files[i].duration_s) {
      why = "how long it took is not known; state [camera] fps in the rig";
    } else {
      clocks[{files[i].time->from, files[i].time->clock.zone}].push_back(i);
    }
  }
  if (!log.clock) {
    result.remarks.emplace_back("the log has no clock times, so no clip can be found in it by its time");
    return result;
  }
  const Log on_clock(log, rig);
  for (const auto& [clock, members] : clocks) {
    const std::string what =
        fmt::format("{} clip{} by {}", members.size(), members.size() == 1 ? "" : "s", InWords(clock.first));
    if (options.camera_offset_s) {
      result.remarks.push_back(
          fmt::format("{}: camera time {} = log time, as stated", what, Signed(*options.camera_offset_s)));
      for (const std::size_t i : members)
        FindPressure(on_clock, files[i], options, *options.camera_offset_s, result.clips[i]);
      continue;
    }
    std::vector<Span> filmed;
    for (const std::size_t i : members) filmed.push_back(FilmedOf(files[i], options));
    // Where both write their zone, only a camera whose clock was set wrongly by an hour is to be feared.
    const bool zones_known = clock.second == Zone::kOffset && log.clock->zone != Zone::kNone;
    const double step_s = zones_known ? kHourS : kQuarterS;
    const double farthest_s = zones_known ? kHourS : kFarthestZoneS;
    const std::vector<double> shifts = FittingShifts(on_clock, filmed, step_s, farthest_s);
    // The chance that a clock off by anything fits one of the shifts wrongly.
    constexpr double kMostChance = 0.05;
    const bool by_chance = shifts.size() == 1 &&
                           OtherOffsetsS(on_clock, filmed, shifts.front(), farthest_s) > kMostChance * step_s;
    if (shifts.size() == 1 && !by_chance) {
      result.remarks.push_back(
          fmt::format("{}: camera time {} = log time, the only shift of {} that puts {} under pressure", what,
                      Signed(shifts.front()), zones_known ? "whole hours" : "quarter hours",
                      members.size() == 1 ? "it" : "all of them"));
      for (const std::size_t i : members)
        FindPressure(on_clock, files[i], options, shifts.front(), result.clips[i]);
      continue;
    }
    const std::string why =
        shifts.empty() ? fmt::format("no shift of {} puts all clips of this clock under pressure in the log",
                                     zones_known ? "whole hours" : "quarter hours")
        : by_chance ? fmt::format("camera time {} fits the log, but with so few clips other offsets do, too",
                                  Signed(shifts.front()))
                    : fmt::format("camera time {} fit the log alike", List(shifts));
    for (const std::size_t i : members) {
      result.clips[i].why_blank = fmt::format("{} by the camera; {}; state --camera-offset-s",
                                              TimeOfDay(files[i].time->clock.epoch_s), why);
    }
    result.remarks.push_back(fmt::format("{}: not tied to the log ({} to {} of its clock): {}", what,
                                         TimeOfDay(on_clock.First()), TimeOfDay(on_clock.Last()), why));
  }
  return result;
}

}  // namespace conebook::src
