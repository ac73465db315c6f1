// Pixels per mm at the nozzle's exit, from one picture of something of known size that stands there: two
// points with a length between them, a chessboard in the plane of the nozzle's axis, or the nozzle's round
// body.
//
// The scale is focal length over depth, what a short length across the view at the exit measures; the rig's
// px_per_mm. With a lens, its distortion is taken out first. In u: length, where points or edges lie, the
// object's offset from the nozzle's axis along the line of sight, lens and focal length as far as they matter
// here. Angles are those of the rig: axis_deg 0 down, positive to image right; tilt_deg positive where the
// far end leans towards the camera (calib/cone_projection.h).
#pragma once

#include <optional>
#include <string>
#include <vector>

#include <opencv2/core.hpp>

#include <calib/lens.h>
#include <calib/quantity.h>
#include <calib/stated.h>

#include "vision/chessboard.h"

namespace conebook::vision {

// What is known of the camera; with nothing, it is taken to see as wide as cameras usually do.
struct ScaleCamera {
  std::optional<calib::Lens> lens;                     // of the picture's size
  std::optional<calib::Stated> focal_px, distance_mm;  // the lens goes before them
};

struct ScaleOptions {
  std::optional<double> u_length_part;  // of the length; nothing: assumed, per kind of object
  double offset_mm = 0.0;               // how much nearer to the camera than the nozzle's axis it stood
  std::optional<double> u_offset_mm;    // nothing: assumed 1 mm, 0.1 mm for the nozzle's own body
  double u_point_px = 0.5;              // of a point picked by hand
  std::optional<double> u_align_deg;    // board or body against the nozzle's axis; nothing: assumed 0.5 deg
  double axis_deg = 0.0;                // about where the spray points, to tell the board's sides apart
};

struct ScaleReading {
  calib::Quantity px_per_mm;
  cv::Point2d at_px;                                  // where it holds: the exit, or the object's middle
  std::optional<calib::Quantity> tilt_deg, axis_deg;  // a board has both, a body the axis
  std::string no_tilt;                                // why there is no tilt
  std::vector<std::string> warnings;
};

// All throw calib::InputError where the object is not found or too small to say anything.
ScaleReading ScaleFromPoints(cv::Size picture, const cv::Point2d& from_px, const cv::Point2d& to_px,
                             double length_mm, const ScaleCamera& camera, const ScaleOptions& options);

// at_px: the exit; nothing: the board's middle. Tilt needs a lens, a focal length or a distance.
ScaleReading ScaleFromBoard(const cv::Mat& grey, const Board& board, std::optional<cv::Point2d> at_px,
                            const ScaleCamera& camera, const ScaleOptions& options);

// on_px: a point on the body, on the stretch whose width is known, which stands upright within 30 deg. Dark
// on light or light on dark.
ScaleReading ScaleFromBody(const cv::Mat& grey, const cv::Point2d& on_px, double width_mm,
                           const ScaleCamera& camera, const ScaleOptions& options);

}  // namespace conebook::vision
