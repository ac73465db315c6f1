// Where a hollow cone hangs: the exit from which both of its rims run down the picture. The rims show in any
// light and whether or not the sheet moves, so that this works where the change of the picture tells little:
// a spray that was on from the first frame, a sheet that stands still, a lamp mirrored brighter than a rim.
//
// For every place of the exit and every opening, rims along x = x_exit +- sqrt(r0^2 + z^2 tan^2 a), straight
// paths off a ring of radius r0, are held against the light just outside of them: the weaker side counts, up
// to what the strongest contrasts of the picture are, averaged over the rows of a quarter of the picture's
// height.
#pragma once

#include <optional>

#include <opencv2/core.hpp>

namespace conebook::vision {

struct Rims {
  cv::Point2d exit_px;
  double half_angle_deg = 0.0;
  double score = 0.0;  // 1: both rims as strong as any contrast of the picture, on all rows
};

// liquid: greater where there is more of it (mean light in front light, less it in back light), spray
// downwards. Nothing for a picture too small to look in.
std::optional<Rims> FindRims(const cv::Mat1f& liquid, double r0_px);

}  // namespace conebook::vision
