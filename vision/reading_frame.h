// The picture as the measurement reads it: turned so that the spray points down, within 15 degrees; rows are
// then nearly stations. Quarter turns are exact; a larger rest is resampled. Maps between stored, upright
// (the user's) and reading pixels.
#pragma once

#include <cstdint>

#include <opencv2/core.hpp>

#include "vision/footage.h"

namespace conebook::vision {

struct ReadingFrame {
  int width_px = 0, height_px = 0;
  QuarterTurn turn_from_stored = QuarterTurn::k0;
  bool mirror_first = false;
  bool resampled = false;
  cv::Matx23d reading_from_turned = cv::Matx23d::eye();  // only where resampled
  cv::Matx23d reading_from_upright = cv::Matx23d::eye();
  cv::Matx23d upright_from_reading = cv::Matx23d::eye();
  double rest_deg = 0.0;  // direction of the nozzle axis in the reading frame, 0 down, positive to the right
};

ReadingFrame MakeReadingFrame(const FootageFormat& format, double axis_deg);

cv::Point2d Apply(const cv::Matx23d& map, const cv::Point2d& p);

// Where a frame's rows can be read in reading orientation: the frame itself, or `buffer` holding a turned
// copy.
struct RowsView {
  const std::uint8_t* data = nullptr;
  std::ptrdiff_t stride_bytes = 0;
  template <typename T>
  const T* Row(int y) const {
    return reinterpret_cast<const T*>(data + y * stride_bytes);
  }
};
RowsView ViewRows(const ReadingFrame& reading, const FootageFormat& format, const LumaFrame& frame,
                  cv::Mat& buffer, cv::Mat& second_buffer);

}  // namespace conebook::vision
