// Ties video time to log time: video time + log_minus_video = log time. By a lamp in view (lamp_sync.h);
// stated in the rig (a loose statement picks the rise to tie to); else the first spray frame is the log's
// pressure rise, the one that the clocks of camera and log point to; else by the clocks alone; else an
// assumption that is flagged.
#pragma once

#include <optional>
#include <vector>

#include <calib/flag.h>
#include <vision/spray_measurement.h>

#include "src/pressure_points.h"
#include "src/rig.h"
#include "src/run.h"
#include "src/stand_log.h"

namespace conebook::src {

// The moment at which pressure (or flow) leaves zero: half of the first step, between rows.
struct Onset {
  double t_s = 0.0;
  double u_s = 0.0;  // log interval and rise time
  int rises = 0;     // how often the log rises from zero to a steady stretch
};

// The first. Nothing when the log does not start at zero, or holds no steady stretch.
std::optional<Onset> FindOnset(const StandLog& log, const std::vector<double>& pressure_bar,
                               const std::vector<SteadyStretch>& stretches, PressureTap tap);

struct SyncResult {
  std::optional<Sync> sync;  // nothing: no tie that could be believed
  std::vector<calib::Flag> flags;
};

// Every such moment, in order; rises counts them all in each.
std::vector<Onset> FindOnsets(const StandLog& log, const std::vector<double>& pressure_bar,
                              const std::vector<SteadyStretch>& stretches, PressureTap tap);

// Throws calib::InputError when log and video do not overlap. by_lamp: a tie by a lamp in view, that stands
// before all but the clip's pace. Else, where nothing is stated, the clocks of camera and log pick the rise
// if both tell the time: see OffsetByClocks.
SyncResult TieLogToVideo(const Rig& rig, const StandLog& log, const std::vector<double>& pressure_bar,
                         const std::vector<SteadyStretch>& stretches, const vision::ClipFacts& clip,
                         const vision::TimeSpan& steady_spray,
                         const std::optional<calib::Quantity>& by_lamp = std::nullopt);

// Of the file's creation time against the log's clock times, u a second or so. Nothing: one of them does not
// tell the time, the clocks' zones cannot be told for certain (clip_times.h), or the clip would lie outside
// the log.
std::optional<calib::Stated> OffsetByClocks(const Rig& rig, const StandLog& log,
                                            const vision::ClipFacts& clip);

// The part of the clip that a stretch covers, kept clear of the stretch's ends by what is not known about the
// tie and drawn in by a margin for the spray to settle. Nothing when too little is left. A clip so short that
// the log hardly resolves it gets the benefit of one row either side: steady_spray, from the footage itself,
// then bounds the window.
std::optional<vision::TimeSpan> VideoWindow(const SteadyStretch& stretch, const Sync& sync,
                                            const vision::ClipFacts& clip, double log_interval_s,
                                            const vision::TimeSpan& steady_spray);

}  // namespace conebook::src
