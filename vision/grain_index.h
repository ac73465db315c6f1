// The grain index of one point: what vision/grain.h reads.
#pragma once

namespace conebook::vision {

struct Grain {
  double index = 0.0;
  double u = 0.0;
  double mean_signal = 0.0;  // of the drops, less what lies beside the spray
  double noise_part = 0.0;   // of the variance, taken off
  int frames = 0, patches = 0;
};

}  // namespace conebook::vision
