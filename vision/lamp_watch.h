// Frames from before the lamp is on: cameras record ahead of the trigger, the lamp may come with it. They are
// no spray-free background. Told by the light of the whole picture: no spray changes all of it.
#pragma once

#include <array>
#include <vector>

#include "vision/footage.h"

namespace conebook::vision {

struct LampOptions {
  double least_rise = 5.0;    // of a block's light
  double least_light = 0.01;  // of full light, on top
  int least_blocks = 14;      // of the 16
  int step_px = 8;            // between the places looked at
};

class LampWatch {
 public:
  LampWatch(const FootageFormat& format, std::vector<float> light, const LampOptions& options);

  // The lamp has come on since the first frame of those seen before: they are of no use. Starts anew with
  // this one.
  bool ComesOn(const LumaFrame& frame);

 private:
  static constexpr std::size_t kBlocks = 16;
  std::array<float, kBlocks> BlocksOf(const LumaFrame& frame);

  FootageFormat format_;
  std::vector<float> light_;
  LampOptions options_;
  std::array<float, kBlocks> first_{};
  bool begun_ = false;
  std::array<std::vector<float>, kBlocks> work_;
};

}  // namespace conebook::vision
