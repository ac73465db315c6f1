// Balance, streaks and the radial profile out of mean absorbances; how each is had: evenness_reader.h.
#pragma once

#include <vector>

#include "vision/evenness_reader.h"

namespace conebook::vision {

// A mean profile over the cells, and what blocks of frames of their own say.
struct Profile {
  std::vector<double> all;
  std::vector<std::vector<double>> blocks;
};

// Absorbance across the spray, air beside it included: cells of equal width from -most_part to most_part half
// widths.
struct MeanProfiles {
  Profile whole;                            // of the band
  std::vector<std::vector<double>> strips;  // of its quarters, downwards
  double most_part = 0.0;
  double at_px = 0.0;  // the band's middle, below the exit
};

// into: where the band lies and its frames. Nothing, and why, where the drops hide too little light.
EvennessResult ReduceEvenness(const EvennessRequest& request, const EvennessOptions& options,
                              MeanProfiles mean, Evenness into);

}  // namespace conebook::vision
