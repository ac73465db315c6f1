// A dark solid of known half angle filmed in the exit's place: a turned cone, or a flat triangle whose plane
// holds the nozzle's axis. Its sides are read at half of the step from dark to light, across the edge,
// sub-pixel, in linear light; where the sides meet is the tip. Through the rig's camera they become half
// angles in space: of a cone by its silhouette's tangent planes, of a triangle in its own plane
// (calib/cone_projection.h).
//
// The measuring steps of a spray follow liquid against a background that was there before; a solid has no
// picture without it, so only the straight lines and the camera are the same.
//
// In u: pictures or, of a single one, the edges' waviness; threshold; focal length and distance; lens. The
// tilt's share is given apart: the check is there to tell it.
#pragma once

#include <array>
#include <optional>
#include <vector>

#include <opencv2/core.hpp>

#include <calib/quantity.h>

#include "vision/pictures.h"
#include "vision/view.h"

namespace conebook::vision {

enum class SolidKind { kCone, kTriangle };

struct SolidOptions {
  SolidKind kind = SolidKind::kCone;
  std::optional<cv::Point2d> tip_px;         // about; nothing: the largest dark shape with two straight sides
  double near_part = 0.12, far_part = 0.88;  // of the shape's height, between which its sides are read
  double most_spread_px = 1.0;               // of the edges about their lines, robust
  int least_points = 25;                     // per side
  double floor_deg = 0.015;                  // paper, print, a turned surface's grooves
};

// A tilt that makes the mean the known half angle, if the rest is right; 95 %.
struct ImpliedTilt {
  double value_deg = 0.0, lo95_deg = 0.0, hi95_deg = 0.0;
};

struct SolidReading {
  calib::Quantity mean_deg, left_deg, right_deg, lean_deg;  // at the rig's tilt; u without the tilt's share
  double u_tilt_deg = 0.0;                                  // of the mean, by the rig's u of the tilt
  // Two tilts widen alike, one to the camera and one away from it. Nothing: none can, the shape reads too
  // narrow even by the most that u allows.
  std::optional<ImpliedTilt> towards, away;
  int pictures = 0, pictures_without = 0;  // in which no such shape was found
  cv::Point2d tip_px;                      // of the first picture
};

// Throws calib::InputError where no picture shows such a shape. u_known_deg: of the known half angle.
SolidReading MeasureSolid(const std::vector<Picture>& pictures, const View& view, double known_deg,
                          double u_known_deg, const SolidOptions& options = {});

}  // namespace conebook::vision
