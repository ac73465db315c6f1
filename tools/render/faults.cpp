#include "render/faults.h"

#include <algorithm>
#include <cmath>
#include <numbers>

#include <opencv2/core.hpp>
#include <opencv2/imgproc.hpp>

namespace conebook::render {

PictureMotion MotionAt(const FaultSetting& faults, double time_s, double part) {
  constexpr double kTurn = 2.0 * std::numbers::pi;
  PictureMotion motion;
  const double along =
      std::clamp((part - faults.zoom_from) / std::max(1e-9, faults.zoom_to - faults.zoom_from), 0.0, 1.0);
  // From rest to rest.
  motion.scale = 1.0 + faults.zoom * along * along * (3.0 - 2.0 * along);
  const double breath = std::sin(kTurn * faults.breathing_hz * time_s);
  motion.scale *= 1.0 + faults.breathing * breath;
  motion.blur_px = faults.breathing_blur_px * std::abs(breath);
  motion.roll_rad = faults.roll_deg * std::numbers::pi / 180.0 * std::sin(kTurn * faults.roll_hz * time_s);
  return motion;
}

void MovePicture(const PictureMotion& motion, int width, int height, std::vector<float>& image) {
  const bool still = motion.scale == 1.0 && motion.roll_rad == 0.0;
  if (still && !(motion.blur_px > 0.05)) return;
  const cv::Mat view(height, width, CV_32F, image.data());
  cv::Mat moved = view.clone();
  if (!still) {
    const double cx = 0.5 * (width - 1);
    const double cy = 0.5 * (height - 1);
    const double c = motion.scale * std::cos(motion.roll_rad);
    const double s = motion.scale * std::sin(motion.roll_rad);
    const cv::Matx23d map(c, -s, cx - c * cx + s * cy, s, c, cy - s * cx - c * cy);
    cv::warpAffine(view, moved, map, view.size(), cv::INTER_CUBIC, cv::BORDER_REPLICATE);
  }
  if (motion.blur_px > 0.05) cv::GaussianBlur(moved, moved, cv::Size(), motion.blur_px);
  moved.copyTo(view);
}

}  // namespace conebook::render
