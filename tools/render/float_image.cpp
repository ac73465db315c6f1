#include "render/float_image.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>

#include <opencv2/core.hpp>
#include <opencv2/imgproc.hpp>

namespace conebook::render {

void FloatImage::Reset(int w, int h) {
  width = w;
  height = h;
  value.assign(static_cast<std::size_t>(w) * static_cast<std::size_t>(h), 0.0F);
}

double FloatImage::At(double x, double y) const {
  if (!(x >= 0.0 && y >= 0.0 && x < width - 1 && y < height - 1)) return 0.0;
  const int ix = static_cast<int>(x);
  const int iy = static_cast<int>(y);
  const double dx = x - ix;
  const double dy = y - iy;
  const float* a = Row(iy) + ix;
  const float* b = a + width;
  return (a[0] * (1.0 - dx) + a[1] * dx) * (1.0 - dy) + (b[0] * (1.0 - dx) + b[1] * dx) * dy;
}

double FloatImage::AtCubic(double x, double y) const {
  if (!(x >= 1.0 && y >= 1.0 && x < width - 2 && y < height - 2)) return At(x, y);
  const int ix = static_cast<int>(x);
  const int iy = static_cast<int>(y);
  const auto weights = [](double t) {
    return std::array<double, 4>{-0.5 * t * (1.0 - t) * (1.0 - t), 1.0 + t * t * (1.5 * t - 2.5),
                                 t * (0.5 + t * (2.0 - 1.5 * t)), -0.5 * t * t * (1.0 - t)};
  };
  const std::array<double, 4> across = weights(x - ix);
  const std::array<double, 4> down = weights(y - iy);
  double sum = 0.0;
  for (int j = 0; j < 4; ++j) {
    const float* row = Row(iy - 1 + j) + ix - 1;
    double line = 0.0;
    for (int i = 0; i < 4; ++i) line += across[static_cast<std::size_t>(i)] * static_cast<double>(row[i]);
    sum += down[static_cast<std::size_t>(j)] * line;
  }
  return sum;
}

void AddDisc(FloatImage& image, double x, double y, double radius_px, double depth) {
  if (radius_px < 0.8) {
    Splat(image, static_cast<float>(x), static_cast<float>(y),
          static_cast<float>(depth * std::numbers::pi * radius_px * radius_px));
    return;
  }
  const int x0 = std::max(0, static_cast<int>(std::floor(x - radius_px - 1.0)));
  const int x1 = std::min(image.width - 1, static_cast<int>(std::ceil(x + radius_px + 1.0)));
  const int y0 = std::max(0, static_cast<int>(std::floor(y - radius_px - 1.0)));
  const int y1 = std::min(image.height - 1, static_cast<int>(std::ceil(y + radius_px + 1.0)));
  for (int j = y0; j <= y1; ++j) {
    float* row = image.Row(j);
    for (int i = x0; i <= x1; ++i) {
      const double cover =
          std::clamp(radius_px + 0.5 - std::sqrt((i - x) * (i - x) + (j - y) * (j - y)), 0.0, 1.0);
      row[i] += static_cast<float>(cover * depth);
    }
  }
}

RENDER_WIDE void AddStreak(FloatImage& image, Pixel a, Pixel b, double radius_px, double depth) {
  const double length = std::sqrt((b.x - a.x) * (b.x - a.x) + (b.y - a.y) * (b.y - a.y));
  if (radius_px < 0.8) {
    const int steps = std::clamp(static_cast<int>(std::ceil(length)), 1, 400);
    const auto w = static_cast<float>(depth * std::numbers::pi * radius_px * radius_px / steps);
    for (int i = 0; i < steps; ++i) {
      const double t = (i + 0.5) / steps;
      Splat(image, static_cast<float>(a.x + t * (b.x - a.x)), static_cast<float>(a.y + t * (b.y - a.y)), w);
    }
    return;
  }
  if (length < 0.7) {
    AddDisc(image, 0.5 * (a.x + b.x), 0.5 * (a.y + b.y), radius_px, depth);
    return;
  }
  const double ux = (b.x - a.x) / length;
  const double uy = (b.y - a.y) / length;
  const double r2 = radius_px * radius_px;
  const int y0 = std::max(0, static_cast<int>(std::ceil(std::min(a.y, b.y) - radius_px)));
  const int y1 = std::min(image.height - 1, static_cast<int>(std::floor(std::max(a.y, b.y) + radius_px)));
  for (int y = y0; y <= y1; ++y) {
    // Columns within the radius of the path's line.
    double x_low = std::min(a.x, b.x) - radius_px;
    double x_high = std::max(a.x, b.x) + radius_px;
    if (std::abs(uy) > 0.05) {
      const double middle = a.x + (y - a.y) * ux / uy;
      x_low = std::max(x_low, middle - radius_px / std::abs(uy));
      x_high = std::min(x_high, middle + radius_px / std::abs(uy));
    }
    float* row = image.Row(y);
    const int x1 = std::min(image.width - 1, static_cast<int>(std::floor(x_high)));
#pragma GCC ivdep
    for (int x = std::max(0, static_cast<int>(std::ceil(x_low))); x <= x1; ++x) {
      const double along = (x - a.x) * ux + (y - a.y) * uy;
      const double aside = (x - a.x) * uy - (y - a.y) * ux;
      const double chord2 = r2 - aside * aside;
      const double chord = std::sqrt(std::max(chord2, 0.0));
      const double covered = std::min(along + chord, length) - std::max(along - chord, 0.0);
      row[x] += chord2 > 0.0 && covered > 0.0 ? static_cast<float>(depth * covered / length) : 0.0F;
    }
  }
}

void SignalFromDepth(FloatImage& depth, double blur_px) {
  cv::Mat image(depth.height, depth.width, CV_32F, depth.value.data());
  for (float& v : depth.value) v = v > 0.0F ? -v : 0.0F;
  cv::exp(image, image);
  for (float& v : depth.value) v = 1.0F - v;
  if (blur_px > 0.05) {
    const int size = 2 * static_cast<int>(std::ceil(3.2 * blur_px)) + 1;
    cv::GaussianBlur(image, image, cv::Size(size, size), blur_px, blur_px, cv::BORDER_REPLICATE);
  }
}

}  // namespace conebook::render
