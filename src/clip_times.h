// Where a clip lies in the stand log, by the clocks of camera and logger, and the pressure at that time.
// Zones are often missing or wrong and a camera's clock may be an hour off, so a shift between the clocks
// that was not stated is taken only where it is the one multiple of a quarter of an hour at which every clip
// of that clock meets liquid under pressure. Nothing is guessed: what stays in doubt stays blank, with the
// reason.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "src/camera_files.h"
#include "src/rig.h"
#include "src/stand_log.h"

namespace conebook::src {

struct ClipTimesOptions {
  std::optional<double> camera_offset_s;  // camera time + this = the log's clock, as both are written
  double tolerance_s = 2.0;               // what the clocks may differ by beyond the shift
};

struct ClipTime {
  std::optional<double> begins_s;  // the clip's first frame on the log's clock, middle of what may be; epoch
  double log_minus_video_s = 0.0, u_log_minus_video_s = 0.0;
  // Steady pressures while it was filmed, as logged, less ambient; several only where they follow one rise
  // from zero, so that the clip's first spray frame will tell them apart.
  std::vector<double> pressures_bar;
  double steady_t0_s = 0.0, steady_t1_s = 0.0;  // of them all, on the log's clock; epoch
  std::string why_blank;                        // where there is no pressure
};

struct ClipTimes {
  std::vector<ClipTime> clips;       // one a file; of stills and cards without meaning
  std::vector<std::string> remarks;  // how the clocks were tied, a sentence each
};

ClipTimes TieClips(const std::vector<CameraFile>& files, const StandLog& log, const Rig* rig,
                   const ClipTimesOptions& options);

}  // namespace conebook::src
