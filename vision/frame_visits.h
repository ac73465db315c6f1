// Frames of a clip for several readers in one decoding.
#pragma once

#include <cstdint>
#include <functional>
#include <string>
#include <vector>

#include "vision/footage.h"
#include "vision/view.h"

namespace conebook::vision {

struct FrameVisit {
  std::int64_t frame = 0;  // number of a decoded frame
  std::function<void(const LumaFrame&)> take;
};

// Of at most `most` of the frames, evenly picked.
std::vector<FrameVisit> EvenVisits(const std::vector<std::int64_t>& frames, int most,
                                   const std::function<void(const LumaFrame&)>& take);

// In the order of the frames; of one frame, in the order given. Throws calib::InputError.
void VisitFrames(const std::string& path, const View& view, const std::vector<FrameVisit>& visits,
                 int threads);

}  // namespace conebook::vision
