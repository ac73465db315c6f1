// What all three ways to a scale share: the camera to work with, and the contributions of length and offset.
#pragma once

#include <string>
#include <vector>

#include "vision/scale_reading.h"

namespace conebook::vision {

// A lens for the whole computation: the one given, or one without distortion.
struct WorkingCamera {
  calib::Lens lens;
  bool calibrated = false;    // by a lens file
  bool focal_known = false;   // by lens file or stated; else as wide as usual
  double u_focal_part = 0.0;  // of a stated or assumed focal length
  std::string focal_words;    // for the budget
};
WorkingCamera CameraToWorkWith(cv::Size picture, const ScaleCamera& camera);

// Takes the offset out of a scale at the object's place, and adds what length and offset contribute.
// share_length: assumed where the options say nothing.
double AtTheExit(double px_per_mm, double depth_mm, double share_length, double u_offset_mm,
                 const ScaleOptions& options, std::vector<calib::Contribution>& budget);

}  // namespace conebook::vision
