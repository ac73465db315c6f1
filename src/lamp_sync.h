// Ties log and video by a lamp or a flash that stands in view and has a column in the log: the same steps, on
// and off, seen by both. Each step is known to one interval of its own clock; what all steps leave open
// together is the tie's u.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include <calib/flag.h>
#include <calib/quantity.h>
#include <calib/stated.h>
#include <vision/signal_lamp.h>

#include "src/rig.h"
#include "src/run.h"
#include "src/stand_log.h"

namespace conebook::src {

// [sync] lamp_column of the rig.
std::optional<std::string> LampColumnOf(const Rig& rig);

struct LampStep {
  double t_s = 0.0, half_s = 0.0;  // it falls within t_s +- half_s
  bool on = false;                 // else off
};
// Where a level passes the middle between its lowest and its highest value. Empty: it never does.
std::vector<LampStep> StepsOf(const std::vector<double>& t_s, const std::vector<double>& level);

struct LampTie {
  calib::Quantity log_minus_video_s;
  std::size_t lamp = 0;  // of those given
  int steps = 0;         // seen by both
};
struct LampTies {
  std::optional<LampTie> tie;  // nothing: no lamp steps as the column does, or in more than one way
  std::size_t ways = 0;
};
// about: where the offset may lie (2 u), to tell apart lamps and rows of steps that look alike.
LampTies TieByLamp(const std::vector<double>& log_time_s, const std::vector<double>& column,
                   const std::vector<vision::SignalLamp>& lamps, const std::optional<calib::Stated>& about);

// Looks for the lamp in the clip; with a tie also what to show of it. Flags say what was found.
struct LampSync {
  std::optional<calib::Quantity> log_minus_video_s;
  std::optional<SyncPicture> picture;
  std::vector<calib::Flag> flags;
};
LampSync SyncByLamp(const Rig& rig, const StandLog& log, const std::string& clip_path,
                    const vision::ClipReading& clip, const vision::ReadOptions& reading,
                    const std::optional<calib::Stated>& about);

// The footage about its first spray frame, and beside it what the log ties to: pressure, or flow where the
// pressure is tapped upstream of the valve. Nothing where there is no first spray frame.
std::optional<SyncPicture> SprayPicture(const Rig& rig, const StandLog& log,
                                        const std::vector<double>& gauge_bar, const vision::ClipFacts& clip,
                                        double log_minus_video_s);

}  // namespace conebook::src
