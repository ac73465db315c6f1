// Drop sizes of a close-up in back light, over many pictures of it.
//
// In focus means a blur of at most a limit that is the same for drops of all sizes: a limit in parts of the
// diameter would let large drops be counted over more depth than small ones. The limit sets the smallest drop
// that can be sized within it. Drops that lie on the picture's border are left out, the more of them the
// larger they are, and so are drops that others touch: each that is counted stands for more by the inverse of
// its chance to be seen whole and alone (border: Miles 1978, Lantuejoul, as ISO 13322-1 has it, from memory;
// alone: Poisson).
// A picture counts drops in space: slow drops weigh more than in the flow.
#pragma once

#include <vector>

#include <opencv2/core.hpp>

#include "vision/clip_model.h"
#include "vision/drop_finder.h"
#include "vision/drop_sizing.h"

namespace conebook::vision {

struct DropSizingOptions {
  DropFinderOptions finder;
  double least_px = 5.0;             // diameter: below, pixels decide
  double least_partly_px = 4.0;      // the same, where nothing larger is there
  double blur_of_best = 1.5;         // limit of the blur, in the blur of the sharpest fifth of drops,
  double least_blur_limit_px = 1.2;  // and at least
  double cutoff_in_blur = 3.8;       // smallest diameter that a blur at the limit leaves measurable
  double cutoff_in_smear = 2.0;      // and travel during the exposure
  int most_frames = 400;             // looked at, evenly
};

// From what was found in each picture of a window of this size.
DropSizing SizeDrops(const std::vector<FrameDrops>& frames, int width_px, int height_px, double opaque,
                     const DropSizingOptions& options);

// What changes slowly over a picture: a quantile of boxes, in between linear.
cv::Mat1f SlowLevel(const cv::Mat1f& image, int box_px, double part);

// Light lost at each place of a frame, against the model's background, less what changes slowly over the
// picture.
cv::Mat1f ShadeOf(const ClipModel& model, const LumaFrame& frame);

// What an opaque drop in focus takes away: of the darkest large shadows of some pictures.
double OpaqueShade(const std::vector<cv::Mat1f>& shades);

}  // namespace conebook::vision
