// The renderer's own camera. Camera frame: x right, y down, z forwards along the optical axis, millimetres.
// Image: pixels, (0, 0) the centre of the top-left pixel. Lens: Brown's k1, k2 (radial), p1, p2 (tangential),
// in the convention of the OpenCV documentation, checked in the tests against cv::projectPoints.
//
// The nozzle's axis: axis_deg in the image plane (0 down, positive towards image right), tilt_deg out of it
// (positive: far end towards the camera).
#pragma once

#include <optional>

namespace conebook::render {

struct Vec3 {
  double x = 0.0, y = 0.0, z = 0.0;
};
inline Vec3 operator+(Vec3 a, Vec3 b) {
  return {a.x + b.x, a.y + b.y, a.z + b.z};
}
inline Vec3 operator-(Vec3 a, Vec3 b) {
  return {a.x - b.x, a.y - b.y, a.z - b.z};
}
inline Vec3 operator*(double s, Vec3 a) {
  return {s * a.x, s * a.y, s * a.z};
}
inline double Dot(Vec3 a, Vec3 b) {
  return a.x * b.x + a.y * b.y + a.z * b.z;
}
inline Vec3 Cross(Vec3 a, Vec3 b) {
  return {a.y * b.z - a.z * b.y, a.z * b.x - a.x * b.z, a.x * b.y - a.y * b.x};
}
double Length(Vec3 a);

struct Pixel {
  double x = 0.0, y = 0.0;
};

struct Camera {
  int width = 0, height = 0;
  double focal_px = 0.0;
  double centre_x_px = 0.0, centre_y_px = 0.0;
  double k1 = 0.0, k2 = 0.0, p1 = 0.0, p2 = 0.0;
  bool orthographic = false;  // then px_per_mm and exit_px place the picture, lens and distance do not count
  double ortho_px_per_mm = 0.0;
  Pixel exit_px;           // where the exit's centre appears
  Vec3 exit_mm;            // the exit's centre in the camera frame
  Vec3 axis, right, away;  // the nozzle's axis, to its right in the image, and away from the camera

  Pixel Project(Vec3 point_mm) const;
  // Ray (x, y, 1) through a pixel: the distortion undone by Newton-like iteration.
  Vec3 Ray(Pixel px) const;
  // Scale at the exit as the image shows it: mean over directions in the plane parallel to the sensor.
  double PxPerMmAtExit() const;
};

struct CameraSetting {
  int width = 0, height = 0;
  double focal_px = 0.0, distance_mm = 0.0;
  double k1 = 0.0, k2 = 0.0, p1 = 0.0, p2 = 0.0;
  Pixel exit_px;
  double axis_deg = 0.0, tilt_deg = 0.0;
};
Camera MakeCamera(const CameraSetting& setting);

// Parallel projection on the plane through the nozzle's axis, axis down: space as the definitions mean it.
Camera MakeIdealCamera(int width, int height, double px_per_mm, Pixel exit_px);

// Turns axis and right by an angle in the image plane, for a spray that leans against its nozzle.
Camera Leaned(const Camera& camera, double lean_deg);

}  // namespace conebook::render
