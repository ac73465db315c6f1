// The scene without spray: background, light, exit, and the places from which gain and shake are read.
#pragma once

#include <vector>

#include <opencv2/core.hpp>

#include "vision/clip_model.h"

namespace conebook::vision {

// How far below the exit light and change are judged: far enough for a thin rim to show.
double NearReachPx(const ClipModel& model);
// The box below the exit in which light and change are judged; the whole picture where the exit is not
// stated.
cv::Rect NearBox(const ClipModel& model);

class BackgroundMean {
 public:
  explicit BackgroundMean(const ClipModel& model) : model_(model) {}
  void Add(const LumaFrame& frame);
  void Clear();
  int Frames() const { return frames_; }
  cv::Mat1f Mean() const;

 private:
  const ClipModel& model_;
  cv::Mat1f sum_;
  cv::Mat turned_, turned_again_;
  int frames_ = 0;
};

// Linear light of a frame in reading orientation.
cv::Mat1f LightImage(const ClipModel& model, const LumaFrame& frame);

// Light of a frame over the background's, where a spray hardly comes: along the picture's sides. A phone sets
// its exposure anew when the spray comes.
float SampleGain(const cv::Mat1f& image, const ClipModel& model);

// Time median and mean deviation from it, of every place.
struct SampleMotion {
  cv::Mat1f median, activity;
};
SampleMotion MotionOfSample(const std::vector<LumaFrame>& sample, const ClipModel& model);

// So far beyond a side the background is still continued, not seen; dy_px below the exit.
inline double ContinuedBesidePx(double dy_px) {
  return 6.0 + 0.08 * dy_px;
}

// Sets model.background: the time median, and, with the exit known, continued across the moving cone.
void BackgroundFromSpray(const SampleMotion& motion, bool exit_known, ClipModel& model);

// Once more, from what lies outside the sides that model.guess holds: a film that stands still shows its rims
// in no motion.
void BackgroundBesideGuess(const SampleMotion& motion, ClipModel& model);

// The strongest 4 % of each row's changes below the exit, signed, mean over the rows: negative where the
// spray darkens. Light units. Frames are brought to the background's level first, here and below.
double ChangeSign(const std::vector<LumaFrame>& sample, const ClipModel& model);
double ChangeBelowExit(const std::vector<LumaFrame>& sample, const ClipModel& model);

// Mean over the frames of |light - background|.
cv::Mat1f MeanAbsoluteChange(const std::vector<LumaFrame>& sample, const ClipModel& model);

// Sets model.field from background and illumination.
void SetField(ClipModel& model);

// Sets gain and shake points from the background outside any cone.
void ChooseScenePoints(ClipModel& model);

}  // namespace conebook::vision
