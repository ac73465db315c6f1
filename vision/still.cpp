#include "vision/still.h"

#include <algorithm>

#include <opencv2/imgproc.hpp>

#include "vision/reading_frame.h"

namespace conebook::vision {

cv::Mat StillOf(const FootageFormat& format, const LumaFrame& frame) {
  const ReadingFrame upright = MakeReadingFrame(format, 0.0);
  cv::Mat a;
  cv::Mat b;
  const RowsView rows = ViewRows(upright, format, frame, a, b);
  const cv::Mat stored(upright.height_px, upright.width_px, format.bits > 8 ? CV_16UC1 : CV_8UC1,
                       const_cast<std::uint8_t*>(rows.data), static_cast<std::size_t>(rows.stride_bytes));
  if (format.bits <= 8) return stored.clone();
  double low = 0.0;
  double high = 1.0;
  cv::minMaxLoc(stored, &low, &high);
  cv::Mat still;
  stored.convertTo(still, CV_8U, 255.0 / std::max(1.0, high - low), -255.0 * low / std::max(1.0, high - low));
  return still;
}

StillKeeper::StillKeeper(const FootageFormat& format) : format_(format) {
  constexpr std::size_t kMostBytes = 48U << 20U;
  const auto bytes =
      static_cast<std::size_t>(format.stored_width_px) * static_cast<std::size_t>(format.stored_height_px);
  most_ = std::clamp<std::size_t>(kMostBytes / std::max<std::size_t>(1, bytes), 4, 24);
}

void StillKeeper::Offer(const LumaFrame& frame) {
  if (frame.index % stride_ != 0) return;
  stills_[frame.index] = StillOf(format_, frame);
  if (stills_.size() <= most_) return;
  stride_ *= 2;
  std::erase_if(stills_, [&](const auto& still) { return still.first % stride_ != 0; });
}

cv::Mat StillKeeper::Nearest(std::int64_t first, std::int64_t last, std::int64_t wanted) const {
  cv::Mat best;
  std::int64_t distance = 0;
  for (const auto& [index, picture] : stills_) {
    if (index < first || index > last) continue;
    const std::int64_t d = index > wanted ? index - wanted : wanted - index;
    if (best.empty() || d < distance) {
      best = picture;
      distance = d;
    }
  }
  return best;
}

std::vector<cv::Mat> TakeStills(const std::string& path, const View& view, const FootageFormat& format,
                                const std::vector<std::size_t>& frames) {
  std::vector<cv::Mat> stills(frames.size());
  if (frames.empty()) return stills;
  const auto last = static_cast<std::int64_t>(*std::max_element(frames.begin(), frames.end()));
  FootageOptions options;
  options.white_level = view.white_level;
  const std::unique_ptr<Footage> footage = OpenFootage(path, options);
  LumaFrame frame;
  while (footage->Next(frame) && frame.index <= last) {
    for (std::size_t k = 0; k < frames.size(); ++k) {
      if (static_cast<std::int64_t>(frames[k]) == frame.index) stills[k] = StillOf(format, frame);
    }
  }
  return stills;
}

}  // namespace conebook::vision
