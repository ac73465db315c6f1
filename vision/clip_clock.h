// Capture time from what a container says: its stamps, scaled by nominal over true rate where the rig states
// the rate. Containers are edited: a speed ramp stretches the stamps of a part of the clip, a converter
// repeats frames. Then the pace is not the camera's, and what hangs on it (times, frequencies, the tie to a
// log) cannot be told; unless the rig states the rate, for then frames can be counted.
#pragma once

#include <cstdint>
#include <optional>
#include <vector>

#include <calib/flag.h>

#include "vision/footage.h"
#include "vision/record_spool.h"
#include "vision/view.h"

namespace conebook::vision {

struct ClockOptions {
  double least_ramp = 1.5;  // ratio of frame intervals: more, for a while, is a change of pace
  std::size_t least_ramp_frames = 8;
  double most_rate_error = 0.03;  // of the header's rate against the stamps
  double repeat_part = 0.03;      // of the usual change from frame to frame: less is the same frame again
  double least_change = 0.001;    // share of pixels that change in a moving spray; less: nothing can be said
  double clear_of_repeats = 4.0;  // times repeat_part: what changes less, and is no repeat, lies between;
  double most_between = 0.25;     // of such frames, per repeat: with more of them nothing was repeated
  double least_repeats = 0.02;    // of the frames: worth a word
  double doubt_repeats = 0.1;  // and a warning; fewer are also what a codec makes where hardly anything moves
};

struct ClipClock {
  std::vector<double> time_s;  // capture time of each frame
  double interval_s = 0.0;     // median
  double scale = 1.0;          // of a stamp
  bool steady = true;          // false: the pace changes in a way that is not known
  std::vector<char> repeated;  // frames that are the one before again; empty: none
};

// `spool` may have fewer frames than there are stamps (a clip that was only counted).
ClipClock ClockOf(const std::vector<double>& stamps_s, const RecordSpool& spool,
                  std::optional<std::int64_t> first_spray_frame, const FootageFormat& format,
                  const View& view, const ClockOptions& options, std::vector<calib::Flag>& flags);

}  // namespace conebook::vision
