#include "render/drop_field.h"

#include <algorithm>
#include <cmath>
#include <random>

#include <opencv2/imgproc.hpp>

namespace conebook::render {
namespace {

constexpr int kFine = 6;  // sub-pixels a pixel, each way

std::mt19937_64 Random(std::uint64_t seed, int k, std::uint64_t use) {
  std::seed_seq mixed{static_cast<std::uint32_t>(seed), static_cast<std::uint32_t>(seed >> 32U),
                      static_cast<std::uint32_t>(k), static_cast<std::uint32_t>(use)};
  return std::mt19937_64(mixed);
}

// A share of light taken away, on a grid of pixels about (x0, y0).
void Darken(const DropField& field, const TrueDrop& drop, cv::Mat1f& light) {
  const double reach = 0.5 * drop.diameter_px + 4.0 * drop.blur_px + field.smear_px + 2.0;
  const int x0 = static_cast<int>(std::floor(drop.x_px - reach));
  const int y0 = static_cast<int>(std::floor(drop.y_px - reach));
  const int n = 2 * static_cast<int>(std::ceil(reach)) + 2;
  cv::Mat1f fine(n * kFine, n * kFine, 0.0F);
  const double r = 0.5 * drop.diameter_px;
  const double spot = field.glare * r;
  for (int y = 0; y < fine.rows; ++y) {
    for (int x = 0; x < fine.cols; ++x) {
      const double dx = x0 - 0.5 + (x + 0.5) / kFine - drop.x_px;
      const double dy = y0 - 0.5 + (y + 0.5) / kFine - drop.y_px;
      const double distance = std::hypot(dx, dy);
      fine(y, x) = distance <= r && distance > spot ? 1.0F : 0.0F;
    }
  }
  if (drop.blur_px > 0.0) {
    cv::GaussianBlur(fine, fine, cv::Size(), drop.blur_px * kFine, drop.blur_px * kFine, cv::BORDER_CONSTANT);
  }
  if (const int rows = static_cast<int>(std::lround(field.smear_px * kFine)); rows > 1)
    cv::blur(fine, fine, cv::Size(1, rows), cv::Point(-1, -1), cv::BORDER_CONSTANT);
  cv::Mat1f coarse;
  cv::resize(fine, coarse, cv::Size(n, n), 0.0, 0.0, cv::INTER_AREA);
  for (int y = 0; y < n; ++y) {
    for (int x = 0; x < n; ++x) {
      const int px = x0 + x;
      const int py = y0 + y;
      if (px < 0 || py < 0 || px >= light.cols || py >= light.rows) continue;
      light(py, px) *= 1.0F - coarse(y, x);
    }
  }
}

cv::Mat1f Background(const DropField& field) {
  cv::Mat1f light(field.height_px, field.width_px);
  for (int y = 0; y < light.rows; ++y) {
    for (int x = 0; x < light.cols; ++x) {
      const double u = 2.0 * x / field.width_px - 1.0;
      const double v = 2.0 * y / field.height_px - 1.0;
      light(y, x) = static_cast<float>(field.light * (1.0 - field.shading * 0.5 * (u * u + v * v)));
    }
  }
  return light;
}

void AddNoise(const DropField& field, std::uint64_t seed, int k, cv::Mat1f& light) {
  std::mt19937_64 random = Random(seed, k, 2);
  std::normal_distribution<float> normal(0.0F, static_cast<float>(field.noise));
  for (int y = 0; y < light.rows; ++y) {
    for (int x = 0; x < light.cols; ++x) light(y, x) = std::clamp(light(y, x) + normal(random), 0.0F, 1.0F);
  }
}

}  // namespace

cv::Mat1f RenderDrops(const DropField& field, std::uint64_t seed, int k, std::vector<TrueDrop>& drops) {
  std::mt19937_64 random = Random(seed, k, 1);
  std::normal_distribution<double> normal;
  std::uniform_real_distribution<double> even;
  drops.clear();
  cv::Mat1f open(field.height_px, field.width_px, 1.0F);
  for (const double median : {field.median_px, field.second_median_px}) {
    if (!(median > 0.0)) continue;
    // Drops whose centres lie outside reach in: as many a square pixel as inside.
    const double margin = 3.0 * median * std::exp(2.0 * field.sigma_ln);
    const double w = field.width_px + 2.0 * margin;
    const double h = field.height_px + 2.0 * margin;
    const double mean = field.drops * w * h / (static_cast<double>(field.width_px) * field.height_px);
    const int count = std::poisson_distribution<int>(mean)(random);
    for (int i = 0; i < count; ++i) {
      TrueDrop drop;
      drop.diameter_px = median * std::exp(field.sigma_ln * normal(random));
      drop.x_px = even(random) * w - margin;
      drop.y_px = even(random) * h - margin;
      drop.blur_px = std::hypot(field.focus_px, even(random) * field.most_blur_px);
      if (drop.diameter_px < field.least_px) continue;
      Darken(field, drop, open);
      if (drop.x_px >= 0.0 && drop.y_px >= 0.0 && drop.x_px < field.width_px && drop.y_px < field.height_px)
        drops.push_back(drop);
    }
  }
  cv::Mat1f light = Background(field);
  for (int y = 0; y < light.rows; ++y) {
    for (int x = 0; x < light.cols; ++x)
      light(y, x) *= static_cast<float>(field.veil + (1.0 - field.veil) * static_cast<double>(open(y, x)));
  }
  AddNoise(field, seed, k, light);
  return light;
}

std::vector<cv::Mat1f> RenderFlight(const DropField& field, const DropFlight& flight, std::uint64_t seed,
                                    int k, int pictures) {
  std::mt19937_64 random = Random(seed, k, 3);
  std::normal_distribution<double> normal;
  std::uniform_real_distribution<double> even;
  // Drops that come into view later start outside.
  const double way = std::hypot(flight.along_px, flight.across_px);
  const double margin = 3.0 * field.median_px * std::exp(2.0 * field.sigma_ln) + 1.3 * way * pictures;
  const double w = field.width_px + 2.0 * margin;
  const double h = field.height_px + 2.0 * margin;
  const double mean = field.drops * w * h / (static_cast<double>(field.width_px) * field.height_px);
  const int count = std::poisson_distribution<int>(mean)(random);
  std::vector<cv::Mat1f> open;
  for (int p = 0; p < pictures; ++p) open.emplace_back(field.height_px, field.width_px, 1.0F);
  for (int i = 0; i < count; ++i) {
    TrueDrop drop;
    drop.diameter_px = field.median_px * std::exp(field.sigma_ln * normal(random));
    const double x = even(random) * w - margin;
    const double y = even(random) * h - margin;
    drop.blur_px = std::hypot(field.focus_px, even(random) * field.most_blur_px);
    const double down = flight.along_px + flight.scatter * way * normal(random);
    const double right = flight.across_px + flight.scatter * way * normal(random);
    if (drop.diameter_px < field.least_px) continue;
    for (int p = 0; p < pictures; ++p) {
      drop.x_px = x + right * p;
      drop.y_px = y + down * p;
      const double reach = 0.5 * drop.diameter_px + 4.0 * drop.blur_px + field.smear_px + 3.0;
      if (drop.x_px < -reach || drop.y_px < -reach || drop.x_px > field.width_px + reach ||
          drop.y_px > field.height_px + reach) {
        continue;
      }
      Darken(field, drop, open[static_cast<std::size_t>(p)]);
    }
  }
  std::vector<cv::Mat1f> lights;
  for (int p = 0; p < pictures; ++p) {
    cv::Mat1f light = Background(field);
    cv::multiply(light, open[static_cast<std::size_t>(p)], light);
    AddNoise(field, seed, k * pictures + p, light);
    lights.push_back(light);
  }
  return lights;
}

cv::Mat1f RenderNoDrops(const DropField& field, std::uint64_t seed, int k) {
  cv::Mat1f light = Background(field);
  AddNoise(field, seed, k, light);
  return light;
}

}  // namespace conebook::render
