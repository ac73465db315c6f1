#include "calib/cone_projection.h"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <stdexcept>

#include <Eigen/Geometry>
#include <fmt/format.h>

#include "calib/error.h"

namespace conebook::calib {
namespace {

constexpr double kRadPerDeg = std::numbers::pi / 180.0;

}  // namespace

ConeProjection::ConeProjection(const ConeCamera& camera) : camera_(camera) {
  const double axis = camera.axis_deg * kRadPerDeg;
  const double tilt = camera.tilt_deg * kRadPerDeg;
  axis_ = Eigen::Vector3d(std::sin(axis) * std::cos(tilt), std::cos(axis) * std::cos(tilt), -std::sin(tilt));
  lateral_ = Eigen::Vector3d(std::cos(axis), -std::sin(axis), 0.0);
  normal_ = axis_.cross(lateral_);
  if (camera_.distance_mm) {
    focal_px_ = camera_.px_per_mm * *camera_.distance_mm;
    exit_ = RayOf(camera_.exit_px) * *camera_.distance_mm;
  } else {
    exit_ = Eigen::Vector3d::Zero();
  }
}

// Direction with unit Z of the ray through a pixel.
Eigen::Vector3d ConeProjection::RayOf(const Eigen::Vector2d& px) const {
  if (camera_.lens) {
    try {
      const Eigen::Vector2d ray = RayFromPx(*camera_.lens, px);
      return {ray.x(), ray.y(), 1.0};
    } catch (const std::domain_error&) {
      throw InputError(
          fmt::format("the lens file does not hold at [{:.0f}, {:.0f}] px: its distortion cannot be undone "
                      "there; calibrate again with the board in that part of the picture",
                      px.x(), px.y()));
    }
  }
  return {(px.x() - camera_.centre_x_px) / focal_px_, (px.y() - camera_.centre_y_px) / focal_px_, 1.0};
}

AxisPlanePoint ConeProjection::MmFromPx(const Eigen::Vector2d& px) const {
  Eigen::Vector3d from_exit;
  if (camera_.distance_mm) {
    const Eigen::Vector3d ray = RayOf(px);
    const double along = exit_.dot(normal_) / ray.dot(normal_);
    from_exit = ray * along - exit_;
  } else {
    Eigen::Vector2d flat = (px - camera_.exit_px) / camera_.px_per_mm;
    if (camera_.lens) {
      // Parallel rays with a known lens: only the distortion is taken out.
      const Lens& lens = *camera_.lens;
      const Eigen::Vector2d a = RayFromPx(lens, px);
      const Eigen::Vector2d b = RayFromPx(lens, camera_.exit_px);
      flat = Eigen::Vector2d((a.x() - b.x()) * lens.fx_px, (a.y() - b.y()) * lens.fy_px) / camera_.px_per_mm;
    }
    // The point of the axis plane behind this pixel: Z from the plane's equation.
    const double depth = -(flat.x() * normal_.x() + flat.y() * normal_.y()) / normal_.z();
    from_exit = Eigen::Vector3d(flat.x(), flat.y(), depth);
  }
  return {from_exit.dot(lateral_), from_exit.dot(axis_)};
}

AxisPlanePoint ConeProjection::SeenAt(const AxisPlanePoint& foot, double towards_mm) const {
  // The camera looks along +Z: the normal that points back to it has negative Z.
  const Eigen::Vector3d towards = normal_.z() < 0.0 ? normal_ : Eigen::Vector3d(-normal_);
  const Eigen::Vector3d point = lateral_ * foot.x_mm + axis_ * foot.z_mm + towards * towards_mm;
  Eigen::Vector3d from_exit;
  if (camera_.distance_mm) {
    const Eigen::Vector3d ray = exit_ + point;
    from_exit = ray * (exit_.dot(normal_) / ray.dot(normal_)) - exit_;
  } else {
    from_exit = point - Eigen::Vector3d(0.0, 0.0, point.dot(normal_) / normal_.z());
  }
  return {from_exit.dot(lateral_), from_exit.dot(axis_)};
}

Eigen::Vector2d ConeProjection::PxFromMm(const AxisPlanePoint& point) const {
  const Eigen::Vector3d p = lateral_ * point.x_mm + axis_ * point.z_mm;
  if (!camera_.distance_mm) {
    if (!camera_.lens) return camera_.exit_px + camera_.px_per_mm * Eigen::Vector2d(p.x(), p.y());
    const Lens& lens = *camera_.lens;
    const Eigen::Vector2d ray =
        RayFromPx(lens, camera_.exit_px) +
        Eigen::Vector2d(p.x() * camera_.px_per_mm / lens.fx_px, p.y() * camera_.px_per_mm / lens.fy_px);
    return PxFromRay(lens, ray);
  }
  const Eigen::Vector3d q = exit_ + p;
  const Eigen::Vector2d ray(q.x() / q.z(), q.y() / q.z());
  if (camera_.lens) return PxFromRay(*camera_.lens, ray);
  return {camera_.centre_x_px + focal_px_ * ray.x(), camera_.centre_y_px + focal_px_ * ray.y()};
}

// Of the plane through the camera and the silhouette, which touches the cone; unit, away from the axis.
Eigen::Vector3d ConeProjection::OutwardNormal(Side side, const SilhouetteLine& line) const {
  const Eigen::Vector3d direction = axis_ + lateral_ * line.slope;
  const Eigen::Vector3d sight =
      camera_.distance_mm ? Eigen::Vector3d(exit_ + lateral_ * line.x0_mm) : Eigen::Vector3d(0.0, 0.0, 1.0);
  const Eigen::Vector3d n = sight.cross(direction).normalized();
  return (side == Side::kRight) == (n.dot(lateral_) > 0.0) ? n : Eigen::Vector3d(-n);
}

double ConeProjection::HalfAngleDeg(Side side, double x0_mm, double slope) const {
  const double sine = -OutwardNormal(side, {x0_mm, slope}).dot(axis_);
  return std::asin(std::clamp(sine, -1.0, 1.0)) / kRadPerDeg;
}

SideAngles ConeProjection::HalfAnglesDeg(const SilhouetteLine& left, const SilhouetteLine& right) const {
  const Eigen::Vector3d n_left = OutwardNormal(Side::kLeft, left);
  const Eigen::Vector3d n_right = OutwardNormal(Side::kRight, right);
  // Both planes make the same angle with the cone's own axis.
  const Eigen::Vector3d apart = n_right - n_left;
  const double lean = std::atan2(-apart.dot(axis_), apart.dot(lateral_));
  const Eigen::Vector3d own_axis = axis_ * std::cos(lean) + lateral_ * std::sin(lean);
  const double sine = -0.5 * (n_left + n_right).dot(own_axis);
  const double half_angle = std::asin(std::clamp(sine, -1.0, 1.0));
  return {(half_angle - lean) / kRadPerDeg, (half_angle + lean) / kRadPerDeg};
}

}  // namespace conebook::calib
