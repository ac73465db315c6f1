// Drops in one picture in back light: round shadows, each with a diameter corrected for its blur.
//
// A shadow is what takes more than 0.3 of the light that an opaque drop in focus takes. Its outline is read
// to parts of a pixel at 0.3, 0.5 and 0.7 of that light: the area within 0.5 gives the contour's radius, the
// spacing of the other two the blur, and blurred_disc.h the true radius. The bright spot that a transparent
// drop has in its middle does not count: outlines are filled. Shadows that are not round are taken apart into
// circles where their outline is one of circles, else counted as crowded.
#pragma once

#include <cstdint>
#include <vector>

#include <opencv2/core.hpp>

#include "vision/blurred_disc.h"

namespace conebook::vision {

struct DropFinderOptions {
  double least_area_px2 = 3.0;    // within the contour of 0.5; smaller is noise or nothing that can be sized
  double most_aspect = 1.25;      // long over short axis of a single drop
  double least_solidity = 0.93;   // area over that of the convex hull of a single drop
  double least_peak = 0.55;       // of the opaque drop's: fainter shadows have no contour of one half
  double least_arc_deg = 100.0;   // of a circle's outline, in a shadow of several
  double least_explained = 0.85;  // of such a shadow's outline, by its circles
};

struct FoundDrop {
  float x_px = 0.0F, y_px = 0.0F;
  float diameter_px = 0.0F;
  float blur_px = 0.0F;    // standard deviation; 0 where taken out of a crowd
  float aspect = 1.0F;     // long over short axis of the contour of one half
  float smear_px = 0.0F;   // how much longer the shadow's slope is along its long axis than across it
  float smear_deg = 0.0F;  // of that axis, 0 along the rows, 90 down the columns
  bool from_crowd = false;
};

struct FrameDrops {
  std::vector<FoundDrop> drops;
  int faint = 0;    // shadows without a contour of one half: out of focus
  int crowded = 0;  // shadows of several drops that could not be taken apart
  int at_border = 0;
  double covered_share = 0.0;  // of the picture, by shadows
};

// `shade`: 1 - light / background, less any slow level. `opaque`: shade of an opaque drop in focus.
FrameDrops FindDrops(const cv::Mat1f& shade, double opaque, const BlurredDiscs& discs,
                     const DropFinderOptions& options);

// Area within a contour of level, linear between pixel centres, holes filled; px^2. For tests.
double AreaWithin(const cv::Mat1f& shade, double level);

}  // namespace conebook::vision
