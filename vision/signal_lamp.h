// A lamp or a flash in view that the stand's log knows of: found in the footage as the region whose light
// steps between two levels and stands still in between. The spray itself, which flickers, and what lies
// within its cone are no lamp.
#pragma once

#include <vector>

#include "vision/spray_measurement.h"
#include "vision/view.h"

namespace conebook::vision {

struct SignalLamp {
  double x_px = 0.0, y_px = 0.0;   // its middle, upright image
  double contrast = 0.0;           // between its levels, share of full scale
  std::vector<double> t_s, level;  // of each frame: capture time; 0 off, 1 on
};

struct SignalLampOptions {
  double least_contrast = 0.02;  // of full scale
  double least_ratio = 10.0;     // of the step to the scatter about both levels
  int most_steps = 200;
  int most_lamps = 6;
};

// Those that may be meant, the clearest first. Reads the clip once more, to its end or as far as fits into
// some tens of megabytes. Throws Interrupted.
std::vector<SignalLamp> FindSignalLamps(const std::string& path, const View& view, const ClipReading& reading,
                                        const ReadOptions& read, const SignalLampOptions& options = {});

}  // namespace conebook::vision
