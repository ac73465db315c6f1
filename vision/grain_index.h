// The grain index of one point: what vision/grain.h reads; and, beside it, the shares of the shadow that mist
// and ligaments cast: vision/mist_share.h, vision/ligament_share.h.
#pragma once

#include <optional>
#include <string>

namespace conebook::vision {

// 0 to 1.
struct ShadowShare {
  double value = 0.0, u = 0.0;
};

struct Grain {
  double index = 0.0;
  double u = 0.0;
  double mean_signal = 0.0;  // of the drops, less what lies beside the spray
  double noise_part = 0.0;   // of the variance, taken off
  int frames = 0, patches = 0;
  std::optional<ShadowShare> mist{}, ligaments{};
  std::string no_mist{}, no_ligaments{};  // why there is none
};

}  // namespace conebook::vision
