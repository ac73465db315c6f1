// What ReadClip keeps for MeasureSpray.
#pragma once

#include <optional>
#include <vector>

#include "vision/clip_model.h"
#include "vision/record_spool.h"
#include "vision/scene_steadiness.h"
#include "vision/spray_measurement.h"
#include "vision/still.h"

namespace conebook::vision {

struct ClipReading::Kept {
  std::string path;
  ClipModel model;
  RecordSpool spool;
  std::optional<StillKeeper> stills;
  std::vector<double> time_s;  // capture time of each frame
  double frame_interval_s = 0.0;
  std::vector<char> repeated;  // see clip_clock.h
  int threads = 0;
  std::optional<MotionEffect> motion;  // of a picture that grows or turns
  bool outline_only =
      false;  // no cone anywhere in the clip: `model` only encloses a spray below full development
};

// Numbers of the frames within a span that may be measured: no damaged and no repeated ones.
std::vector<std::size_t> FramesIn(const ClipReading::Kept& kept, const TimeSpan& span);

}  // namespace conebook::vision
