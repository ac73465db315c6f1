// The two sides of a dark shape that opens from a tip: points on both edges, sub-pixel.
#pragma once

#include <array>
#include <optional>
#include <vector>

#include <opencv2/core.hpp>

#include "vision/solid_shape.h"

namespace conebook::vision {

struct SolidEdges {
  std::array<std::vector<cv::Point2d>, 2> points;  // left, right as seen with the axis pointing down
  cv::Point2d tip;                                 // where the lines through them meet
};

// Pieces of the picture that are dark, the one at options.tip_px or else largest first.
std::vector<cv::Mat1b> DarkShapes(const cv::Mat1f& light, const SolidOptions& options);

// part: of the step from dark to light. Nothing: no two straight sides that meet above the shape.
std::optional<SolidEdges> EdgesOf(const cv::Mat1f& light, const cv::Mat1b& shape, double axis_deg,
                                  double part, const SolidOptions& options);

}  // namespace conebook::vision
