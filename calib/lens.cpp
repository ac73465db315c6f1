#include "calib/lens.h"

#include <cmath>
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
