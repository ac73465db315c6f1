// Swings of the half angle from frame to frame (calib/spectrum.h), in the words of a spray.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include <calib/spectrum.h>

#include "vision/spray_measurement.h"

namespace conebook::vision {

struct HalfAngleSwing {
  std::optional<Steadiness> steadiness;  // nothing: too few frames, or their times are not even
  std::optional<Pulsation> pulsation;    // nothing: none stands out
  std::string words, advice;             // what was found, or why nothing
};

// Mean of both sides, in the order of time.
calib::Series HalfAngleSeries(const std::vector<FrameAngle>& frames);

// Mean of both sides over the frames of one point. pace_known: the times are the camera's.
HalfAngleSwing FindSwing(const std::vector<FrameAngle>& frames, bool pace_known);

}  // namespace conebook::vision
