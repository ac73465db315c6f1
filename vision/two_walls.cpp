#include "vision/two_walls.h"

#include <algorithm>
#include <cmath>
#include <numbers>

namespace conebook::vision {
namespace {

double NormalCdf(double x) {
  return 0.5 * std::erfc(-x / std::numbers::sqrt2);
}

// Share of what is seen first that lies nearer the exit than z.
double ShareNearer(double z, double median, double scatter, const WallsSeen& walls) {
  double sum = 0.0;
  for (std::size_t ray = 0; ray < kRays; ++ray) {
    const double near = NormalCdf(std::log(z / (median * walls.near[ray])) / scatter);
    const double far = NormalCdf(std::log(z / (median * walls.far[ray])) / scatter);
    sum += 1.0 - (1.0 - near) * (1.0 - far);
  }
  return sum / kRays;
}

// The median for which a share of 3/4 is seen nearer than the upper quartile.
double MedianFor(double upper_quartile, double scatter, const WallsSeen& walls) {
  double low = 0.4 * upper_quartile;
  double high = 2.5 * upper_quartile;
  constexpr int kHalvings = 40;
  for (int k = 0; k < kHalvings; ++k) {
    const double middle = std::sqrt(low * high);
    (ShareNearer(upper_quartile, middle, scatter, walls) > 0.75 ? low : high) = middle;
  }
  return std::sqrt(low * high);
}

}  // namespace

WallsSeen SeeWalls(const calib::ConeProjection& projection, double z_mm, double slope_left,
                   double slope_right) {
  WallsSeen seen;
  if (!(z_mm > 0.0)) return seen;
  // Looked along the middle between both sides; a lean moves both walls alike.
  const double slope = 0.5 * (slope_left + slope_right);
  const double middle = 0.5 * (slope_right - slope_left);
  for (int ray = 0; ray < kRays; ++ray) {
    const double part = static_cast<double>(RayPart(ray));
    for (const double to_camera : {1.0, -1.0}) {
      double across = part;  // sine of the wall point's azimuth from the camera's direction
      calib::AxisPlanePoint at{0.0, z_mm};
      constexpr int kPasses = 6;
      for (int pass = 0; pass < kPasses; ++pass) {
        const double sine = std::clamp(across, -0.98, 0.98);
        const double radius = slope * z_mm;
        at = projection.SeenAt({middle * z_mm + radius * sine, z_mm},
                               to_camera * radius * std::sqrt(1.0 - sine * sine));
        // The ray runs at this part of the half width wherever the point is seen.
        const double wanted = (middle + slope * part) * at.z_mm;
        across = sine + (wanted - at.x_mm) / radius;
      }
      (to_camera > 0.0 ? seen.near : seen.far)[static_cast<std::size_t>(ray)] = at.z_mm / z_mm;
    }
  }
  return seen;
}

std::optional<double> MedianOfOneFront(double lower_quartile, double upper_quartile, const WallsSeen& walls) {
  if (!(lower_quartile > 0.0) || !(upper_quartile > lower_quartile)) return std::nullopt;
  double low = 0.005;
  double high = 0.5;
  constexpr int kHalvings = 30;
  for (int k = 0; k < kHalvings; ++k) {
    const double scatter = std::sqrt(low * high);
    const double median = MedianFor(upper_quartile, scatter, walls);
    // Wider scatter moves the lower quartile up to the exit: less than a quarter lies there yet.
    (ShareNearer(lower_quartile, median, scatter, walls) < 0.25 ? low : high) = scatter;
  }
  return MedianFor(upper_quartile, std::sqrt(low * high), walls);
}

}  // namespace conebook::vision
