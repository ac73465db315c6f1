// Pictures of check standards with known truth: a pinhole camera (with radial distortion if wanted) that
// casts rays at flat cards and solid bodies, many to a pixel, in linear light, encoded as video is (ITU-R
// BT.709). Uses nothing of the program. Camera axes: X right, Y down, Z away; mm; the exit stands at `exit`.
#pragma once

#include <algorithm>
#include <cmath>
#include <functional>
#include <numbers>
#include <optional>
#include <random>
#include <string>

#include <opencv2/core.hpp>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>

namespace conebook::tests {

using V3 = cv::Vec3d;

inline double Rad(double deg) {
  return deg * std::numbers::pi / 180.0;
}

struct DrawnCamera {
  int width = 960, height = 720;
  double focal_px = 3600.0, cx = 479.5, cy = 359.5;
  double k1 = 0.0;  // x' = x (1 + k1 r^2)
  double blur_px = 0.8;
  double noise = 1.0;  // code values, sd
  unsigned seed = 1;
};

// The nozzle's axis: 0 down, positive to image right; tilt positive where its far end leans towards the
// camera.
inline V3 AxisOf(double axis_deg, double tilt_deg) {
  return {std::sin(Rad(axis_deg)) * std::cos(Rad(tilt_deg)),
          std::cos(Rad(axis_deg)) * std::cos(Rad(tilt_deg)), -std::sin(Rad(tilt_deg))};
}
inline V3 LateralOf(double axis_deg) {
  return {std::cos(Rad(axis_deg)), -std::sin(Rad(axis_deg)), 0.0};
}

// Where the exit is, if it shows at this pixel of an undistorted picture.
inline V3 PlaceOf(const DrawnCamera& camera, double x_px, double y_px, double depth_mm) {
  return {(x_px - camera.cx) / camera.focal_px * depth_mm, (y_px - camera.cy) / camera.focal_px * depth_mm,
          depth_mm};
}

// Light, 0 to 1, that comes along a ray from the camera, or nothing where it meets nothing.
using Thing = std::function<std::optional<double>(const V3& ray)>;

inline constexpr double kDark = 0.03, kBright = 0.6, kGround = 0.55;

// pattern: light at (x, y) mm of the card's own plane, x along `across`, y along `down`.
inline Thing Card(const V3& origin, const V3& across, const V3& down,
                  std::function<std::optional<double>(double x, double y)> pattern) {
  const V3 normal = across.cross(down);
  return [=](const V3& ray) -> std::optional<double> {
    const double along = origin.dot(normal) / ray.dot(normal);
    if (!(along > 0.0)) return std::nullopt;
    const V3 at = ray * along - origin;
    return pattern(at.dot(across), at.dot(down));
  };
}

// Inner corners columns x rows; (0, 0) of the card in the board's middle.
inline Thing BoardCard(const V3& middle, const V3& across, const V3& down, int columns, int rows,
                       double square) {
  return Card(middle, across, down, [=](double x, double y) -> std::optional<double> {
    const double u = x / square + 0.5 * (columns + 1), v = y / square + 0.5 * (rows + 1);
    if (u < -1.0 || v < -1.0 || u > columns + 2.0 || v > rows + 2.0) return std::nullopt;
    if (u < 0.0 || v < 0.0 || u > columns + 1.0 || v > rows + 1.0) return kBright;
    return (static_cast<int>(std::floor(u)) + static_cast<int>(std::floor(v))) % 2 == 0 ? kDark : kBright;
  });
}

inline Thing TriangleCard(const V3& tip, double axis_deg, double tilt_deg, double half_angle_deg,
                          double height) {
  const double slope = std::tan(Rad(half_angle_deg));
  return Card(tip, LateralOf(axis_deg), AxisOf(axis_deg, tilt_deg),
              [=](double x, double y) -> std::optional<double> {
                if (std::abs(x) > 2.5 * height || y < -0.3 * height || y > 1.3 * height) return std::nullopt;
                return y > 0.0 && y < height && std::abs(x) < y * slope ? kDark : kBright;
              });
}

// Solid, from its tip along its axis, with a flat base.
inline Thing SolidCone(const V3& tip, const V3& axis, double half_angle_deg, double height) {
  const double cos2 = std::pow(std::cos(Rad(half_angle_deg)), 2);
  const double base = height * std::tan(Rad(half_angle_deg));
  return [=](const V3& ray) -> std::optional<double> {
    const double da = ray.dot(axis), ta = tip.dot(axis);
    const double a = da * da - cos2 * ray.dot(ray), b = -2.0 * (da * ta - cos2 * ray.dot(tip)),
                 c = ta * ta - cos2 * tip.dot(tip);
    const double d = b * b - 4.0 * a * c;
    if (d >= 0.0) {
      for (const double sign : {-1.0, 1.0}) {
        const double t = (-b + sign * std::sqrt(d)) / (2.0 * a);
        const double z = t * da - ta;
        if (t > 0.0 && z > 0.0 && z < height) return kDark;
      }
    }
    const double t = (ta + height) / da;
    if (t > 0.0 && cv::norm(ray * t - (tip + axis * height)) < base) return kDark;
    return std::nullopt;
  };
}

// Solid cylinder from `end` against `axis`, upwards out of the picture.
inline Thing Body(const V3& end, const V3& axis, double diameter) {
  return [=](const V3& ray) -> std::optional<double> {
    const V3 d = ray - axis * ray.dot(axis), w = end - axis * end.dot(axis);
    const double a = d.dot(d), b = -2.0 * d.dot(w), c = w.dot(w) - 0.25 * diameter * diameter;
    const double root = b * b - 4.0 * a * c;
    if (root < 0.0) return std::nullopt;
    for (const double sign : {-1.0, 1.0}) {
      const double t = (-b + sign * std::sqrt(root)) / (2.0 * a);
      if (t > 0.0 && (ray * t - end).dot(axis) < 0.0) return kDark;
    }
    return std::nullopt;
  };
}

// The first thing that a ray meets counts; the ground is even.
inline cv::Mat Draw(const DrawnCamera& camera, const std::vector<Thing>& things) {
  constexpr int kRays = 32;  // to a pixel, no two in one column or row of it: an edge is placed to 1/32 px
  cv::Mat1d light(camera.height, camera.width);
  for (int y = 0; y < camera.height; ++y) {
    for (int x = 0; x < camera.width; ++x) {
      double sum = 0.0;
      for (int i = 0; i < kRays; ++i) {
        const double u = (x + (i + 0.5) / kRays - 0.5 - camera.cx) / camera.focal_px;
        const double v = (y + ((i * 13 % kRays) + 0.5) / kRays - 0.5 - camera.cy) / camera.focal_px;
        double scale = 1.0;  // undistorted over distorted
        if (camera.k1 != 0.0) {
          for (int n = 0; n < 12; ++n) scale = 1.0 / (1.0 + camera.k1 * (u * u + v * v) * scale * scale);
        }
        double seen = kGround;
        for (const Thing& thing : things) {
          if (const auto met = thing({u * scale, v * scale, 1.0})) {
            seen = *met;
            break;
          }
        }
        sum += seen;
      }
      light(y, x) = sum / kRays;
    }
  }
  if (camera.blur_px > 0.0) cv::GaussianBlur(light, light, {}, camera.blur_px);
  std::mt19937 random(camera.seed);
  std::normal_distribution<double> noise(0.0, camera.noise);
  cv::Mat picture(camera.height, camera.width, CV_8U);
  for (int y = 0; y < camera.height; ++y) {
    for (int x = 0; x < camera.width; ++x) {
      const double l = light(y, x);
      const double v = l < 0.018 ? 4.5 * l : 1.099 * std::pow(l, 0.45) - 0.099;
      picture.at<unsigned char>(y, x) =
          static_cast<unsigned char>(std::clamp(std::lround(255.0 * v + noise(random)), 0L, 255L));
    }
  }
  return picture;
}

inline std::string LensText(const DrawnCamera& camera) {
  return "[lens]\nwidth_px = " + std::to_string(camera.width) +
         "\nheight_px = " + std::to_string(camera.height) + "\nfx_px = " + std::to_string(camera.focal_px) +
         "\nfy_px = " + std::to_string(camera.focal_px) + "\ncx_px = " + std::to_string(camera.cx) +
         "\ncy_px = " + std::to_string(camera.cy) + "\nk1 = " + std::to_string(camera.k1) + "\n";
}

}  // namespace conebook::tests
