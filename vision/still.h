// Single frames as 8-bit pictures, upright, for reports.
#pragma once

#include <map>
#include <string>
#include <vector>

#include <opencv2/core.hpp>

#include "vision/footage.h"
#include "vision/view.h"

namespace conebook::vision {

// The picture of one frame, upright. Frames of more than 8 bits are stretched to their own range.
cv::Mat StillOf(const FootageFormat& format, const LumaFrame& frame);

// Keeps a bounded number of pictures, evenly over a clip of unknown length: when full, every second one goes.
class StillKeeper {
 public:
  explicit StillKeeper(const FootageFormat& format);
  void Offer(const LumaFrame& frame);
  // The kept picture of a frame in [first, last] nearest to `wanted`; empty where none is kept.
  cv::Mat Nearest(std::int64_t first, std::int64_t last, std::int64_t wanted) const;

 private:
  FootageFormat format_;
  std::size_t most_;
  std::int64_t stride_ = 1;
  std::map<std::int64_t, cv::Mat> stills_;
};

// Pictures of the given frames (any order), in the order given. Decodes the clip again up to the last of
// them. Frames of more than 8 bits are stretched to their own range.
std::vector<cv::Mat> TakeStills(const std::string& path, const View& view, const FootageFormat& format,
                                const std::vector<std::size_t>& frames);

}  // namespace conebook::vision
