#include "render/camera.h"

#include <cmath>
#include <numbers>

namespace conebook::render {
namespace {

constexpr double kRadians = std::numbers::pi / 180.0;

Pixel Distort(const Camera& camera, double x, double y) {
  const double r2 = x * x + y * y;
  const double radial = 1.0 + r2 * (camera.k1 + r2 * camera.k2);
  return {x * radial + 2.0 * camera.p1 * x * y + camera.p2 * (r2 + 2.0 * x * x),
          y * radial + camera.p1 * (r2 + 2.0 * y * y) + 2.0 * camera.p2 * x * y};
}

}  // namespace

double Length(Vec3 a) {
  return std::sqrt(Dot(a, a));
}

Pixel Camera::Project(Vec3 point_mm) const {
  if (orthographic) {
    return {exit_px.x + ortho_px_per_mm * (point_mm.x - exit_mm.x),
            exit_px.y + ortho_px_per_mm * (point_mm.y - exit_mm.y)};
  }
  const Pixel p = Distort(*this, point_mm.x / point_mm.z, point_mm.y / point_mm.z);
  return {centre_x_px + focal_px * p.x, centre_y_px + focal_px * p.y};
}

Vec3 Camera::Ray(Pixel px) const {
  const double x = (px.x - centre_x_px) / focal_px;
  const double y = (px.y - centre_y_px) / focal_px;
  double u = x;
  double v = y;
  for (int i = 0; i < 100; ++i) {
    const Pixel p = Distort(*this, u, v);
    u += x - p.x;
    v += y - p.y;
    if (std::abs(x - p.x) + std::abs(y - p.y) < 1e-15) break;
  }
  return {u, v, 1.0};
}

double Camera::PxPerMmAtExit() const {
  if (orthographic) return ortho_px_per_mm;
  constexpr double kStep = 0.01;
  double sum = 0.0;
  for (const Vec3 step : {Vec3{kStep, 0.0, 0.0}, Vec3{0.0, kStep, 0.0}}) {
    const Pixel a = Project(exit_mm - step);
    const Pixel b = Project(exit_mm + step);
    sum += std::hypot(b.x - a.x, b.y - a.y) / (2.0 * kStep);
  }
  return 0.5 * sum;
}

Camera MakeCamera(const CameraSetting& setting) {
  Camera camera;
  camera.width = setting.width;
  camera.height = setting.height;
  camera.focal_px = setting.focal_px;
  camera.centre_x_px = 0.5 * (setting.width - 1);
  camera.centre_y_px = 0.5 * (setting.height - 1);
  camera.k1 = setting.k1;
  camera.k2 = setting.k2;
  camera.p1 = setting.p1;
  camera.p2 = setting.p2;
  camera.exit_px = setting.exit_px;
  camera.exit_mm = setting.distance_mm * camera.Ray(setting.exit_px);
  const double turn = setting.axis_deg * kRadians;
  const double tilt = setting.tilt_deg * kRadians;
  camera.axis = {std::sin(turn) * std::cos(tilt), std::cos(turn) * std::cos(tilt), -std::sin(tilt)};
  camera.right = {std::cos(turn), -std::sin(turn), 0.0};
  camera.away = Cross(camera.right, camera.axis);
  return camera;
}

Camera MakeIdealCamera(int width, int height, double px_per_mm, Pixel exit_px) {
  Camera camera;
  camera.width = width;
  camera.height = height;
  camera.orthographic = true;
  camera.ortho_px_per_mm = px_per_mm;
  camera.exit_px = exit_px;
  camera.axis = {0.0, 1.0, 0.0};
  camera.right = {1.0, 0.0, 0.0};
  camera.away = {0.0, 0.0, 1.0};
  return camera;
}

Camera Leaned(const Camera& camera, double lean_deg) {
  const double turn = lean_deg * kRadians;
  Camera leaned = camera;
  leaned.axis = std::cos(turn) * camera.axis + std::sin(turn) * camera.right;
  leaned.right = std::cos(turn) * camera.right - std::sin(turn) * camera.axis;
  return leaned;
}

}  // namespace conebook::render
