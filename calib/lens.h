// Lens of one camera mode: OpenCV's pinhole model with radial (k1, k2, k3) and tangential (p1, p2)
// distortion, pixels of the upright image. Formula: OpenCV documentation, "Camera Calibration and 3D
// Reconstruction".
#pragma once

#include <optional>

#include <Eigen/Core>

namespace conebook::calib {

struct Lens {
  int width_px = 0, height_px = 0;
  double fx_px = 0.0, fy_px = 0.0, cx_px = 0.0, cy_px = 0.0;
  double k1 = 0.0, k2 = 0.0, p1 = 0.0, p2 = 0.0, k3 = 0.0;
  double rms_px = 0.0;
  // Of fx, fy, cx, cy, k1, k2, p1, p2, k3 in this order; nothing: not known.
  std::optional<Eigen::Matrix<double, 9, 9>> covariance;
};

inline constexpr const char* kLensParameters[9] = {"fx_px", "fy_px", "cx_px", "cy_px", "k1",
                                                   "k2",    "p1",    "p2",    "k3"};
using LensVector = Eigen::Matrix<double, 9, 1>;
LensVector ParametersOf(const Lens& lens);
void SetParameters(Lens& lens, const LensVector& parameters);

// k1 of a camera whose lens is not calibrated, one u of it: video cameras leave 0.5 % at most in the corners
// of the picture after their own correction (common practice, no source), a rectangle. Size and fx_px of
// `lens`.
double UsualDistortion(const Lens& lens);

// The same lens for a picture of another size that shows the same field: focal lengths and centre scaled.
// Nothing where the picture has another shape (by more than a pixel of rounding): then it was cropped or
// turned, and where it was cropped cannot be told.
std::optional<Lens> LensForImage(const Lens& lens, int width_px, int height_px);

// Normalised (undistorted) image coordinates to pixels.
Eigen::Vector2d PxFromRay(const Lens& lens, const Eigen::Vector2d& ray);

// Pixels to normalised undistorted coordinates, by fixed-point iteration to 1e-12; throws std::domain_error
// where the distortion cannot be inverted (far outside the image).
Eigen::Vector2d RayFromPx(const Lens& lens, const Eigen::Vector2d& px);

}  // namespace conebook::calib
