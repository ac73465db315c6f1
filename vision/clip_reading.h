// What ReadClip keeps for MeasureSpray.
#pragma once

#include <vector>

#include "vision/clip_model.h"
#include "vision/record_spool.h"
#include "vision/spray_measurement.h"

namespace conebook::vision {

struct ClipReading::Kept {
  std::string path;
  ClipModel model;
  RecordSpool spool;
  std::vector<double> time_s;  // capture time of each frame
  double frame_interval_s = 0.0;
};

}  // namespace conebook::vision
