// Between an image and the space about the nozzle axis, for one camera.
//
// Camera axes: X right, Y down, Z away from the camera. The nozzle axis leaves the exit along
//   a = (sin(axis) cos(tilt), cos(axis) cos(tilt), -sin(tilt)):
// axis_deg 0 points down, positive turns to image right; tilt_deg positive leans the far end towards the
// camera. Axis plane: holds the exit centre, the axis, and the lateral direction l = (cos(axis), -sin(axis),
// 0); its coordinates are x_mm (right once the picture is turned so that the spray points down) and z_mm
// (from the exit along the axis).
//
// Silhouette angle: a straight silhouette and the camera centre span a plane tangent to the cone. With n its
// outward unit normal, the side's half angle against the nozzle axis is asin(-n . a), at any distance, tilt
// and offset from the image centre, without approximation for a cone. Special cases: sin(a') = sin(a) /
// cos(tilt) with the apex on the optical axis; tan(a') = tan(a) / cos(offset) for a sideways offset. Derived
// here; checked against published silhouettes and ray tracing in the tests.
#pragma once

#include <optional>

#include <Eigen/Core>

#include "calib/lens.h"

namespace conebook::calib {

struct ConeCamera {
  Eigen::Vector2d exit_px{0.0, 0.0};
  double px_per_mm = 1.0;  // at the exit
  double axis_deg = 0.0;
  double tilt_deg = 0.0;
  std::optional<double> distance_mm;            // nothing: parallel rays (no perspective correction)
  double centre_x_px = 0.0, centre_y_px = 0.0;  // of the optical axis; the lens overrides it
  std::optional<Lens> lens;                     // undistorts; its focal length is used for the rays
};

struct AxisPlanePoint {
  double x_mm = 0.0;
  double z_mm = 0.0;
};

enum class Side { kLeft, kRight };

struct SilhouetteLine {  // x = x0_mm + slope * z in the axis plane
  double x0_mm = 0.0;
  double slope = 0.0;
};

struct SideAngles {
  double left_deg = 0.0;
  double right_deg = 0.0;
};

// Throws InputError where the lens's distortion cannot be undone at a pixel.
class ConeProjection {
 public:
  explicit ConeProjection(const ConeCamera& camera);

  AxisPlanePoint MmFromPx(const Eigen::Vector2d& px) const;
  Eigen::Vector2d PxFromMm(const AxisPlanePoint& point) const;
  // Where in the axis plane a point of space is seen that lies `towards_mm` before that plane, on the
  // camera's side (negative: behind it). Lens distortion does not enter: both lie on one ray.
  AxisPlanePoint SeenAt(const AxisPlanePoint& foot, double towards_mm) const;

  // Half angle in space of the side whose silhouette is the line x = x0_mm + slope * z in the axis plane.
  // Positive: away from the axis.
  double HalfAngleDeg(Side side, double x0_mm, double slope) const;
  // Of both sides, against the axis given: those of the circular cone, turned in the axis plane, that has
  // both silhouettes. A near camera sees the sides of a wide cone before its axis, at an azimuth p from the
  // axis plane, sin p = tan(half angle) tan(tilt + elevation of the apex above the optical axis): the line of
  // sight is normal to the side's normal there. By itself each side would show cos p of a lean.
  SideAngles HalfAnglesDeg(const SilhouetteLine& left, const SilhouetteLine& right) const;

 private:
  Eigen::Vector3d OutwardNormal(Side side, const SilhouetteLine& line) const;
  Eigen::Vector3d RayOf(const Eigen::Vector2d& px) const;

  ConeCamera camera_;
  double focal_px_ = 0.0;  // of an undistorted ray; unused for parallel rays
  Eigen::Vector3d exit_, axis_, lateral_, normal_;
};

}  // namespace conebook::calib
