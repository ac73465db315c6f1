// The two upright edges of a solid body, sub-pixel, row by row, in linear light.
#pragma once

#include <vector>

#include <opencv2/core.hpp>

namespace conebook::vision {

// Light of code values of camera video (ITU-R BT.709), full range.
cv::Mat1f LightOfPicture(const cv::Mat& grey);

struct BodyEdges {
  std::vector<double> y, left, right;  // rows, top to bottom
  bool darker = true;                  // than what is around it
};

// Around the row of on_px, as far as the width stays the same within a few pixels. part: of the step from
// body to surroundings at which the edge is read; half of it is unmoved by blur. Throws calib::InputError.
BodyEdges FindBodyEdges(const cv::Mat1f& light, const cv::Point2d& on_px, double part);

}  // namespace conebook::vision
