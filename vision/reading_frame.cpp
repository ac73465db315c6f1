#include "vision/reading_frame.h"

#include <cmath>
#include <numbers>

#include <opencv2/imgproc.hpp>

namespace conebook::vision {
namespace {

// Clockwise quarter turn of an image of w x h pixels, as a map of pixel coordinates.
cv::Matx23d TurnMap(QuarterTurn turn, int w, int h) {
  switch (turn) {
    case QuarterTurn::k90:
      return {0, -1, h - 1.0, 1, 0, 0};
    case QuarterTurn::k180:
      return {-1, 0, w - 1.0, 0, -1, h - 1.0};
    case QuarterTurn::k270:
      return {0, 1, 0, -1, 0, w - 1.0};
    default:
      return cv::Matx23d::eye();
  }
}

cv::Matx23d Compose(const cv::Matx23d& after, const cv::Matx23d& first) {
  cv::Matx23d m;
  for (int r = 0; r < 2; ++r) {
    for (int c = 0; c < 3; ++c) {
      m(r, c) = after(r, 0) * first(0, c) + after(r, 1) * first(1, c) + (c == 2 ? after(r, 2) : 0.0);
    }
  }
  return m;
}

cv::Matx23d Invert(const cv::Matx23d& m) {
  const double det = m(0, 0) * m(1, 1) - m(0, 1) * m(1, 0);
  const double a = m(1, 1) / det;
  const double b = -m(0, 1) / det;
  const double c = -m(1, 0) / det;
  const double d = m(0, 0) / det;
  return {a, b, -(a * m(0, 2) + b * m(1, 2)), c, d, -(c * m(0, 2) + d * m(1, 2))};
}

}  // namespace

cv::Point2d Apply(const cv::Matx23d& map, const cv::Point2d& p) {
  return {map(0, 0) * p.x + map(0, 1) * p.y + map(0, 2), map(1, 0) * p.x + map(1, 1) * p.y + map(1, 2)};
}

ReadingFrame MakeReadingFrame(const FootageFormat& format, double axis_deg) {
  constexpr double kLargestRestDeg = 15.0;
  ReadingFrame reading;
  const int quarter = static_cast<int>(std::lround(axis_deg / 90.0));
  const auto axis_turn = static_cast<QuarterTurn>(((quarter % 4 + 4) % 4) * 90);
  reading.rest_deg = axis_deg - 90.0 * quarter;
  reading.turn_from_stored =
      static_cast<QuarterTurn>((static_cast<int>(format.turn) + static_cast<int>(axis_turn)) % 360);
  reading.mirror_first = format.mirrored;
  const int w = format.UprightWidth();
  const int h = format.UprightHeight();
  reading.reading_from_upright = TurnMap(axis_turn, w, h);
  const bool swapped = axis_turn == QuarterTurn::k90 || axis_turn == QuarterTurn::k270;
  reading.width_px = swapped ? h : w;
  reading.height_px = swapped ? w : h;
  if (std::abs(reading.rest_deg) > kLargestRestDeg) {
    // A direction (sin t, cos t) must become (0, 1): turn clockwise by t.
    const double t = reading.rest_deg * std::numbers::pi / 180.0;
    const double c = std::cos(t);
    const double s = std::sin(t);
    const double cx = 0.5 * (reading.width_px - 1);
    const double cy = 0.5 * (reading.height_px - 1);
    const int new_w =
        static_cast<int>(std::ceil(std::abs(c) * reading.width_px + std::abs(s) * reading.height_px));
    const int new_h =
        static_cast<int>(std::ceil(std::abs(s) * reading.width_px + std::abs(c) * reading.height_px));
    const double nx = 0.5 * (new_w - 1);
    const double ny = 0.5 * (new_h - 1);
    reading.reading_from_turned = {c, -s, nx - c * cx + s * cy, s, c, ny - s * cx - c * cy};
    reading.resampled = true;
    reading.width_px = new_w;
    reading.height_px = new_h;
    reading.reading_from_upright = Compose(reading.reading_from_turned, reading.reading_from_upright);
    reading.rest_deg = 0.0;
  }
  reading.upright_from_reading = Invert(reading.reading_from_upright);
  return reading;
}

RowsView ViewRows(const ReadingFrame& reading, const FootageFormat& format, const LumaFrame& frame,
                  cv::Mat& buffer, cv::Mat& second_buffer) {
  RowsView view{frame.data, frame.stride_bytes};
  if (reading.turn_from_stored == QuarterTurn::k0 && !reading.mirror_first && !reading.resampled) return view;
  const cv::Mat stored(format.stored_height_px, format.stored_width_px, format.bits > 8 ? CV_16UC1 : CV_8UC1,
                       const_cast<std::uint8_t*>(frame.data), static_cast<std::size_t>(frame.stride_bytes));
  cv::Mat current = stored;
  if (reading.mirror_first) {
    cv::flip(current, second_buffer, 1);
    current = second_buffer;
  }
  if (reading.turn_from_stored == QuarterTurn::k0) {
    if (!reading.resampled) return {current.data, static_cast<std::ptrdiff_t>(current.step)};
  } else {
    const int code = reading.turn_from_stored == QuarterTurn::k90    ? cv::ROTATE_90_CLOCKWISE
                     : reading.turn_from_stored == QuarterTurn::k180 ? cv::ROTATE_180
                                                                     : cv::ROTATE_90_COUNTERCLOCKWISE;
    cv::rotate(current, buffer, code);
    current = buffer;
  }
  if (reading.resampled) {
    cv::Mat out;
    cv::warpAffine(current, out, reading.reading_from_turned, cv::Size(reading.width_px, reading.height_px),
                   cv::INTER_LINEAR, cv::BORDER_REPLICATE);
    second_buffer = out;
    current = second_buffer;
  }
  return {current.data, static_cast<std::ptrdiff_t>(current.step)};
}

}  // namespace conebook::vision
