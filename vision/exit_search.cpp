#include "vision/exit_search.h"

#include <algorithm>
#include <cmath>
#include <optional>

#include <opencv2/imgproc.hpp>

#include "vision/scene.h"
#include "vision/statistics.h"

namespace conebook::vision {
namespace {

// A shaking camera moves the body's edges; what two pixels of it explain is no spray.
cv::Mat1f ChangeBeyondShake(const std::vector<LumaFrame>& sample, const ClipModel& model) {
  constexpr float kShakePx = 2.0F;
  cv::Mat1f change = MeanAbsoluteChange(sample, model);
  for (int y = 1; y + 1 < change.rows; ++y) {
    for (int x = 1; x + 1 < change.cols; ++x) {
      const float gx = 0.5F * (model.background(y, x + 1) - model.background(y, x - 1));
      const float gy = 0.5F * (model.background(y + 1, x) - model.background(y - 1, x));
      change(y, x) = std::max(0.0F, change(y, x) - kShakePx * std::hypot(gx, gy));
    }
  }
  cv::blur(change, change, cv::Size(5, 5));
  return change;
}

// What stands out of its own row: haze and noise change whole rows, a spray a part of them.
struct RowChange {
  std::vector<float> top, middle;
  float cut = 0.0F;
};

RowChange ChangeOfRows(const cv::Mat1f& change) {
  RowChange rows;
  for (int y = 0; y < change.rows; ++y) {
    std::vector<float> row(change[y], change[y] + change.cols);
    rows.middle.push_back(MedianInPlace(std::span<float>(row)));
    rows.top.push_back(*std::max_element(change[y], change[y] + change.cols) - rows.middle.back());
  }
  std::vector<float> sorted = rows.top;
  const auto high = sorted.begin() + static_cast<std::ptrdiff_t>(sorted.size() * 3 / 4);
  std::nth_element(sorted.begin(), high, sorted.end());
  std::vector<float> rest = rows.middle;
  rows.cut = 0.08F * *high + 0.8F * MedianInPlace(std::span<float>(rest));
  return rows;
}

std::optional<cv::Point2d> FirstLastingRows(const cv::Mat1f& change, const RowChange& rows) {
  constexpr int kLasting = 10;
  for (int y = 0; y + kLasting < change.rows; ++y) {
    bool lasting = true;
    for (int k = 0; k < kLasting && lasting; ++k)
      lasting = rows.top[static_cast<std::size_t>(y + k)] > rows.cut;
    if (!lasting) continue;
    int left = change.cols;
    int right = -1;
    for (int k = 2; k < 6; ++k) {
      const float* row = change[y + k];
      for (int x = 0; x < change.cols; ++x) {
        if (row[x] > 0.5F * rows.top[static_cast<std::size_t>(y + k)]) {
          left = std::min(left, x);
          right = std::max(right, x);
        }
      }
    }
    if (right < left || right - left > change.cols / 3) return std::nullopt;
    return cv::Point2d{0.5 * (left + right), y + 2.0};
  }
  return std::nullopt;
}

// Where the outer lines of the change are one exit diameter apart.
std::optional<cv::Point2d> WhereSidesMeet(const cv::Mat1f& change, const RowChange& rows,
                                          double diameter_px) {
  constexpr double kLeastOpening = 0.1;    // of the width a row, both sides together
  constexpr double kMostResidual = 0.015;  // of the picture's width
  const int w = change.cols;
  std::vector<double> ys;
  std::vector<double> left;
  std::vector<double> right;
  for (int y = 0; y < change.rows; ++y) {
    const float top = rows.top[static_cast<std::size_t>(y)];
    if (top <= rows.cut) continue;
    const float level = rows.middle[static_cast<std::size_t>(y)] + 0.5F * top;
    int a = 0;
    while (a < w && change(y, a) <= level) ++a;
    int b = w - 1;
    while (b > a && change(y, b) <= level) --b;
    // A side at the picture's edge has left it.
    if (a < 4 || b > w - 5 || b - a < w / 20) continue;
    ys.push_back(y);
    left.push_back(a);
    right.push_back(b);
  }
  RobustLineOptions options;
  options.floor = 4.0;
  options.min_points = std::max(24, change.rows / 12);
  const auto l = FitRobustLine(ys, left, options);
  const auto r = FitRobustLine(ys, right, options);
  if (!l || !r) return std::nullopt;
  const double opening = r->slope - l->slope;
  if (opening < kLeastOpening || std::max(l->residual_sd, r->residual_sd) > kMostResidual * w)
    return std::nullopt;
  const double y = (diameter_px - (r->intercept - l->intercept)) / opening;
  const double x = 0.5 * (l->Y(y) + r->Y(y));
  if (y < 0.0 || y > 0.7 * change.rows || x < 0.0 || x > w - 1.0) return std::nullopt;
  return cv::Point2d{x, y};
}

}  // namespace

bool FindExit(const std::vector<LumaFrame>& sample, ClipModel& model) {
  const cv::Mat1f change = ChangeBeyondShake(sample, model);
  const RowChange rows = ChangeOfRows(change);
  const auto first = FirstLastingRows(change, rows);
  const auto meet = WhereSidesMeet(change, rows, model.exit_diameter_px);
  if (!first && !meet) return false;
  constexpr double kFar = 0.08;  // of the picture's height
  const bool far = first && meet && cv::norm(*first - *meet) > kFar * change.rows;
  model.exit_px = first && !far ? *first : *meet;
  return true;
}

}  // namespace conebook::vision
