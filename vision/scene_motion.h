// How the static scene stands in a frame against the background: shift, growth and turn about the exit, and
// the shift of the nozzle's own edges. From places with steep light outside the spray, by Gauss-Newton; large
// residuals (drops, spray) are capped so that they cannot pull. An even veil (mist: less contrast, more
// light) is fitted along: it would pass for edges that draw together.
//
// Growth and turn are told by how far apart the edges lie, the lever: an edge's place is known to a tenth of
// a pixel or two, so ln(scale) to that over the lever. Where all static edges lie close together nothing can
// be said. Reading-frame pixels.
#pragma once

#include <array>

#include <opencv2/core.hpp>

#include "vision/clip_model.h"
#include "vision/reading_frame.h"

namespace conebook::vision {

struct SceneMotion {
  cv::Point2f shift_px{0.0F, 0.0F};  // of what stands at the exit
  float ln_scale = 0.0F, roll_rad = 0.0F;
  // What is left, as a shift of the edges, mean size: of this motion, and of a plain shift beside which some
  // edges stand still (drops on a window).
  float miss_px = 0.0F, plain_miss_px = 0.0F;
};

// Inverse of the normal matrix (xx xy; xy yy) of the gradients. Where nearly all of them run one way, a shift
// along their edges cannot be told, and none is found.
std::array<double, 4> InverseWhereTold(double xx, double xy, double yy);

// Sets model.scene_points, scene_fit and body_points from the background, outside the guessed cone.
void PrepareSceneMotion(ClipModel& model);

// Shift alone, as every frame's is taken out.
cv::Point2f SceneShift(const ClipModel& model, const RowsView& rows, float gain);

// Shift of the nozzle's edges, starting from the scene's; the same where too few of them are seen, or where
// they fit no better for it.
cv::Point2f BodyShift(const ClipModel& model, const RowsView& rows, float gain, cv::Point2f shift);

// Starting from a shift; only that where the scene has too little structure for more.
SceneMotion FitSceneMotion(const ClipModel& model, const RowsView& rows, float gain, cv::Point2f shift,
                           int passes);

// The frame put back to where the scene stood in the background, into `buffer`.
RowsView PutBack(const ClipModel& model, const RowsView& rows, const SceneMotion& motion, cv::Mat& buffer);

}  // namespace conebook::vision
