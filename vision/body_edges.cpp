#include "vision/body_edges.h"

#include <algorithm>
#include <cmath>
#include <optional>
#include <span>

#include <fmt/format.h>
#include <opencv2/imgproc.hpp>

#include <calib/error.h>

#include "vision/statistics.h"
#include "vision/transfer.h"

namespace conebook::vision {
namespace {

constexpr int kReachPx = 4;              // how far an edge may move from row to row
constexpr int kNearPx = 4, kFarPx = 10;  // beside the edge, where the levels of both sides are read
constexpr int kLeastRows = 8;
constexpr double kSameWidthPx = 2.0, kSameWidthPart = 0.02;

float Median(const float* row, int from, int to, int width) {
  std::vector<float> values;
  for (int x = std::max(0, from); x <= std::min(width - 1, to); ++x) values.push_back(row[x]);
  return values.empty() ? 0.0F : MedianInPlace(std::span<float>(values));
}

class Finder {
 public:
  Finder(const cv::Mat1f& light, const cv::Point2d& on_px, double part) : light_(light), part_(part) {
    x_ = static_cast<int>(std::lround(on_px.x));
    y_ = static_cast<int>(std::lround(on_px.y));
    if (x_ < 1 || y_ < 1 || x_ >= light.cols - 1 || y_ >= light.rows - 1) {
      throw calib::InputError(fmt::format("[{:g}, {:g}] px lies outside the picture of {} x {} px", on_px.x,
                                          on_px.y, light.cols, light.rows));
    }
    // Two classes of light: the body is of the one that the point belongs to.
    double low = 0.0, high = 0.0;
    cv::minMaxLoc(light, &low, &high);
    cv::Mat bytes, ignored;
    light.convertTo(bytes, CV_8U, 255.0 / std::max(1e-6, high - low),
                    -255.0 * low / std::max(1e-6, high - low));
    const double otsu = cv::threshold(bytes, ignored, 0, 255, cv::THRESH_BINARY | cv::THRESH_OTSU);
    split_ = static_cast<float>(low + (otsu + 0.5) / 255.0 * (high - low));
    const cv::Rect around = cv::Rect(x_ - 1, y_ - 1, 3, 3) & cv::Rect(0, 0, light.cols, light.rows);
    darker_ = cv::mean(light(around))[0] < split_;
  }

  BodyEdges Find() {
    BodyEdges edges;
    edges.darker = darker_;
    const auto first = Start();
    if (!first) {
      throw calib::InputError(
          fmt::format("no edges of a body are found to the left and right of [{}, {}] px; give a point on "
                      "the nozzle's body, "
                      "with plain background on both sides of it",
                      x_, y_));
    }
    std::vector<std::array<double, 3>> rows{{static_cast<double>(y_), first->first, first->second}};
    for (const int step : {-1, 1}) {
      std::pair<double, double> before = *first;
      const double width = first->second - first->first;
      for (int y = y_ + step; y >= 0 && y < light_.rows; y += step) {
        const auto left = Edge(y, before.first, true), right = Edge(y, before.second, false);
        if (!left || !right) break;
        if (std::abs((*right - *left) - width) > std::max(kSameWidthPx, kSameWidthPart * width)) break;
        before = {*left, *right};
        rows.push_back({static_cast<double>(y), *left, *right});
      }
    }
    if (rows.size() < kLeastRows)
      throw calib::InputError(
          fmt::format("the body keeps its width over {} rows around [{}, {}] px only; give a point where it "
                      "is cylindrical",
                      rows.size(), x_, y_));
    std::sort(rows.begin(), rows.end());
    for (const auto& [y, left, right] : rows) {
      edges.y.push_back(y);
      edges.left.push_back(left);
      edges.right.push_back(right);
    }
    return edges;
  }

 private:
  bool Inside(float light) const { return (light < split_) == darker_; }

  std::optional<std::pair<double, double>> Start() const {
    const float* row = light_[y_];
    int left = x_, right = x_;
    while (left > 0 && Inside(row[left])) --left;
    while (right < light_.cols - 1 && Inside(row[right])) ++right;
    if (left == 0 || right == light_.cols - 1) return std::nullopt;
    const auto a = Edge(y_, left, true), b = Edge(y_, right, false);
    if (!a || !b) return std::nullopt;
    return std::pair{*a, *b};
  }

  // Crossing nearest to where the row before had it, of this row's own step.
  std::optional<double> Edge(int y, double expected, bool left) const {
    const float* row = light_[y];
    const int at = static_cast<int>(std::lround(expected));
    const float outer = left ? Median(row, at - kFarPx, at - kNearPx, light_.cols)
                             : Median(row, at + kNearPx, at + kFarPx, light_.cols);
    const float inner = left ? Median(row, at + kNearPx, at + kFarPx, light_.cols)
                             : Median(row, at - kFarPx, at - kNearPx, light_.cols);
    if (Inside(outer) || !Inside(inner)) return std::nullopt;
    const float level = inner + static_cast<float>(part_) * (outer - inner);
    std::optional<double> best;
    for (int x = std::max(0, at - kReachPx); x < std::min(light_.cols - 1, at + kReachPx); ++x) {
      const float a = row[x] - level, b = row[x + 1] - level;
      if ((a < 0.0F) == (b < 0.0F)) continue;
      const double crossing = x + static_cast<double>(a) / static_cast<double>(a - b);
      if (!best || std::abs(crossing - expected) < std::abs(*best - expected)) best = crossing;
    }
    return best;
  }

  const cv::Mat1f& light_;
  double part_;
  int x_ = 0, y_ = 0;
  float split_ = 0.0F;
  bool darker_ = true;
};

}  // namespace

cv::Mat1f LightOfPicture(const cv::Mat& grey) {
  const std::vector<float> light = LightOfCodeValue(FootageFormat{});
  cv::Mat1f result(grey.size());
  for (int y = 0; y < grey.rows; ++y) {
    for (int x = 0; x < grey.cols; ++x) result(y, x) = light[grey.at<std::uint8_t>(y, x)];
  }
  return result;
}

BodyEdges FindBodyEdges(const cv::Mat1f& light, const cv::Point2d& on_px, double part) {
  return Finder(light, on_px, part).Find();
}

}  // namespace conebook::vision
