#include "calib/lens.h"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <stdexcept>

namespace conebook::calib {
namespace {

Eigen::Vector2d Distort(const Lens& lens, const Eigen::Vector2d& ray) {
  const double x = ray.x();
  const double y = ray.y();
  const double r2 = x * x + y * y;
  const double radial = 1.0 + r2 * (lens.k1 + r2 * (lens.k2 + r2 * lens.k3));
  return {x * radial + 2.0 * lens.p1 * x * y + lens.p2 * (r2 + 2.0 * x * x),
          y * radial + lens.p1 * (r2 + 2.0 * y * y) + 2.0 * lens.p2 * x * y};
}

}  // namespace

LensVector ParametersOf(const Lens& lens) {
  LensVector v;
  v << lens.fx_px, lens.fy_px, lens.cx_px, lens.cy_px, lens.k1, lens.k2, lens.p1, lens.p2, lens.k3;
  return v;
}

void SetParameters(Lens& lens, const LensVector& parameters) {
  double* const targets[9] = {&lens.fx_px, &lens.fy_px, &lens.cx_px, &lens.cy_px, &lens.k1,
                              &lens.k2,    &lens.p1,    &lens.p2,    &lens.k3};
  for (int i = 0; i < 9; ++i) *targets[i] = parameters[i];
}

double UsualDistortion(const Lens& lens) {
  constexpr double kMost = 0.005;
  const double corner = 0.6 * std::max(lens.width_px, lens.height_px) / lens.fx_px;
  return kMost / std::numbers::sqrt3 / (corner * corner);
}

std::optional<Lens> LensForImage(const Lens& lens, int width_px, int height_px) {
  if (lens.width_px == width_px && lens.height_px == height_px) return lens;
  const double sx = static_cast<double>(width_px) / lens.width_px;
  const double sy = static_cast<double>(height_px) / lens.height_px;
  if (std::abs(sx * lens.height_px - height_px) > 1.0 && std::abs(sy * lens.width_px - width_px) > 1.0)
    return std::nullopt;
  Lens scaled = lens;
  scaled.width_px = width_px;
  scaled.height_px = height_px;
  scaled.fx_px *= sx;
  scaled.fy_px *= sy;
  // Pixel centres are whole numbers: the picture's edge is at -0.5.
  scaled.cx_px = (lens.cx_px + 0.5) * sx - 0.5;
  scaled.cy_px = (lens.cy_px + 0.5) * sy - 0.5;
  scaled.rms_px *= sx;
  if (scaled.covariance) {
    LensVector scale = LensVector::Ones();
    scale[0] = scale[2] = sx;
    scale[1] = scale[3] = sy;
    scaled.covariance = scale.asDiagonal() * *lens.covariance * scale.asDiagonal();
  }
  return scaled;
}

Eigen::Vector2d PxFromRay(const Lens& lens, const Eigen::Vector2d& ray) {
  const Eigen::Vector2d d = Distort(lens, ray);
  return {lens.fx_px * d.x() + lens.cx_px, lens.fy_px * d.y() + lens.cy_px};
}

Eigen::Vector2d RayFromPx(const Lens& lens, const Eigen::Vector2d& px) {
  const Eigen::Vector2d target((px.x() - lens.cx_px) / lens.fx_px, (px.y() - lens.cy_px) / lens.fy_px);
  Eigen::Vector2d ray = target;
  for (int i = 0; i < 200; ++i) {
    const Eigen::Vector2d miss = target - Distort(lens, ray);
    ray += miss;
    if (miss.norm() < 1e-13) return ray;
    if (!(ray.norm() < 10.0)) break;
  }
  if ((target - Distort(lens, ray)).norm() < 1e-9) return ray;
  throw std::domain_error("RayFromPx: the distortion cannot be inverted here");
}

}  // namespace conebook::calib
