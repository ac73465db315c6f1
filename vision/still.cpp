#include "vision/still.h"

#include <algorithm>

#include <opencv2/imgproc.hpp>

#include "vision/reading_frame.h"

namespace conebook::vision {

std::vector<cv::Mat> TakeStills(const std::string& path, const View& view, const FootageFormat& format,
                                const std::vector<std::size_t>& frames) {
  std::vector<cv::Mat> stills(frames.size());
  if (frames.empty()) return stills;
  const auto last = static_cast<std::int64_t>(*std::max_element(frames.begin(), frames.end()));
  FootageOptions options;
  options.white_level = view.white_level;
  const std::unique_ptr<Footage> footage = OpenFootage(path, options);
  const ReadingFrame upright = MakeReadingFrame(format, 0.0);
  LumaFrame frame;
  cv::Mat a;
  cv::Mat b;
  while (footage->Next(frame) && frame.index <= last) {
    for (std::size_t k = 0; k < frames.size(); ++k) {
      if (static_cast<std::int64_t>(frames[k]) != frame.index) continue;
      const RowsView rows = ViewRows(upright, format, frame, a, b);
      const cv::Mat view_of(upright.height_px, upright.width_px, format.bits > 8 ? CV_16UC1 : CV_8UC1,
                            const_cast<std::uint8_t*>(rows.data),
                            static_cast<std::size_t>(rows.stride_bytes));
      if (format.bits > 8) {
        double low = 0.0;
        double high = 1.0;
        cv::minMaxLoc(view_of, &low, &high);
        view_of.convertTo(stills[k], CV_8U, 255.0 / std::max(1.0, high - low),
                          -255.0 * low / std::max(1.0, high - low));
      } else {
        stills[k] = view_of.clone();
      }
    }
  }
  return stills;
}

}  // namespace conebook::vision
