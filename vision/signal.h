// The signal of one row of a frame: how much light the liquid takes away or adds, linear light.
//   back light:  1 - I / (gain * background)      front light:  I / gain - background
// The background is taken where the scene stood in this frame (shake), linear between pixels.
#pragma once

#include <vector>

#include <opencv2/core.hpp>

#include "vision/clip_model.h"
#include "vision/reading_frame.h"

namespace conebook::vision {

// Columns [c0, c1] of row y, unfiltered, to out[0 ...]. T is the type of a code value.
template <typename T>
void SignalLine(const ClipModel& model, const RowsView& rows, int y, int c0, int c1, float gain,
                cv::Point2f shift, std::vector<float>& field_line, float* out);

// Binomial filter of 3 taps, or 5 where strong; ends repeated.
void FilterLine(const float* in, int n, bool strong, float* out);
// Its variance, px^2.
inline double FilterVariance(bool strong) {
  return strong ? 1.0 : 0.5;
}

}  // namespace conebook::vision
