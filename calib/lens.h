// Lens of one camera mode: OpenCV's pinhole model with radial (k1, k2, k3) and tangential (p1, p2)
// distortion, pixels of the upright image. Formula: OpenCV documentation, "Camera Calibration and 3D
// Reconstruction".
#pragma once

#include <Eigen/Core>

namespace conebook::calib {

struct Lens {
  int width_px = 0, height_px = 0;
  double fx_px = 0.0, fy_px = 0.0, cx_px = 0.0, cy_px = 0.0;
  double k1 = 0.0, k2 = 0.0, p1 = 0.0, p2 = 0.0, k3 = 0.0;
  double rms_px = 0.0;
};

// Normalised (undistorted) image coordinates to pixels.
Eigen::Vector2d PxFromRay(const Lens& lens, const Eigen::Vector2d& ray);

// Pixels to normalised undistorted coordinates, by fixed-point iteration to 1e-12; throws std::domain_error
// where the distortion cannot be inverted (far outside the image).
Eigen::Vector2d RayFromPx(const Lens& lens, const Eigen::Vector2d& px);

}  // namespace conebook::calib
