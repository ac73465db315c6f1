// The grain index of one point: what vision/grain.h reads; and the mist share beside it: vision/mist_share.h.
#pragma once

#include <optional>
#include <string>

namespace conebook::vision {

// 0 to 1.
struct MistShare {
  double value = 0.0, u = 0.0;
};

struct Grain {
  double index = 0.0;
  double u = 0.0;
  double mean_signal = 0.0;  // of the drops, less what lies beside the spray
  double noise_part = 0.0;   // of the variance, taken off
  int frames = 0, patches = 0;
  std::optional<MistShare> mist{};
  std::string no_mist{};  // why there is none
};

}  // namespace conebook::vision
