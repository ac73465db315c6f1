#include "vision/solid_edges.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <numbers>

#include <opencv2/imgproc.hpp>

#include "vision/statistics.h"

namespace conebook::vision {
namespace {

constexpr double kLeastArea = 0.002;  // of the picture
constexpr std::size_t kMostShapes = 12;
constexpr double kNearPx = 5.0, kFarPx = 10.0;  // beside an edge, where the levels of both sides are read
constexpr double kStepPx = 0.5;
constexpr double kLeastHeightPx = 40.0;

struct Axes {
  cv::Point2d down, across;  // unit vectors of the picture
};

// Lateral position over the distance along the axis.
struct SideFit {
  Line line;
  double spread = 0.0;
};

float Sample(const cv::Mat1f& light, const cv::Point2d& p) {
  const double x = std::clamp(p.x, 0.0, light.cols - 1.001), y = std::clamp(p.y, 0.0, light.rows - 1.001);
  const int x0 = static_cast<int>(x), y0 = static_cast<int>(y);
  const auto fx = static_cast<float>(x - x0), fy = static_cast<float>(y - y0);
  return (1.0F - fy) * ((1.0F - fx) * light(y0, x0) + fx * light(y0, x0 + 1)) +
         fy * ((1.0F - fx) * light(y0 + 1, x0) + fx * light(y0 + 1, x0 + 1));
}

// Offset from `at` along the unit vector `out` (dark to light) at which the light passes `part` of the step.
std::optional<double> Crossing(const cv::Mat1f& light, const cv::Point2d& at, const cv::Point2d& out,
                               double part) {
  const cv::Point2d end = at + out * kFarPx, start = at - out * kFarPx;
  for (const cv::Point2d& p : {end, start}) {
    if (p.x < 0.0 || p.y < 0.0 || p.x > light.cols - 1 || p.y > light.rows - 1) return std::nullopt;
  }
  constexpr int kSamples = static_cast<int>(2.0 * kFarPx / kStepPx) + 1;
  std::array<float, kSamples> profile{};
  std::vector<float> dark, bright;
  for (int i = 0; i < kSamples; ++i) {
    const double s = i * kStepPx - kFarPx;
    profile[static_cast<std::size_t>(i)] = Sample(light, at + out * s);
    if (s <= -kNearPx) dark.push_back(profile[static_cast<std::size_t>(i)]);
    if (s >= kNearPx) bright.push_back(profile[static_cast<std::size_t>(i)]);
  }
  const float low = MedianInPlace(std::span<float>(dark)), high = MedianInPlace(std::span<float>(bright));
  if (!(high > low)) return std::nullopt;
  const float level = low + static_cast<float>(part) * (high - low);
  std::optional<double> best;
  for (std::size_t i = 0; i + 1 < profile.size(); ++i) {
    const float a = profile[i] - level, b = profile[i + 1] - level;
    if ((a < 0.0F) == (b < 0.0F)) continue;
    const double s = (static_cast<double>(i) + static_cast<double>(a / (a - b))) * kStepPx - kFarPx;
    if (!best || std::abs(s) < std::abs(*best)) best = s;
  }
  return best;
}

std::optional<SideFit> FitSide(const std::vector<double>& s, const std::vector<double>& x,
                               const SolidOptions& options) {
  RobustLineOptions how;
  how.floor = 0.5;
  how.min_points = options.least_points;
  const auto line = FitRobustLine(s, x, how);
  if (!line) return std::nullopt;
  std::vector<double> residuals;
  for (std::size_t i = 0; i < s.size(); ++i) residuals.push_back(x[i] - line->Y(s[i]));
  return SideFit{*line, RobustSpread(std::move(residuals))};
}

// Whole pixels of the shape: outermost on both sides, step by step along the axis.
struct Outline {
  std::vector<double> s;
  std::array<std::vector<double>, 2> x;
};

Outline OutlineOf(const cv::Mat1b& shape, const Axes& axes) {
  std::vector<cv::Point> pixels;
  cv::findNonZero(shape, pixels);
  double first = std::numeric_limits<double>::infinity(), last = -first;
  for (const cv::Point& p : pixels) {
    const double s = p.x * axes.down.x + p.y * axes.down.y;
    first = std::min(first, s);
    last = std::max(last, s);
  }
  const auto bins = static_cast<std::size_t>(last - first) + 1;
  std::vector<double> low(bins, std::numeric_limits<double>::infinity()), high(bins, -low[0]);
  for (const cv::Point& p : pixels) {
    const auto bin = static_cast<std::size_t>(p.x * axes.down.x + p.y * axes.down.y - first);
    const double x = p.x * axes.across.x + p.y * axes.across.y;
    low[bin] = std::min(low[bin], x);
    high[bin] = std::max(high[bin], x);
  }
  Outline outline;
  for (std::size_t i = 0; i < bins; ++i) {
    if (!(low[i] <= high[i])) continue;
    outline.s.push_back(first + static_cast<double>(i) + 0.5);
    outline.x[0].push_back(low[i] - 0.5);
    outline.x[1].push_back(high[i] + 0.5);
  }
  return outline;
}

struct Coarse {
  std::array<Line, 2> side;
  double near = 0.0, far = 0.0;  // along the axis
};

// A shank below a turned cone is no side of it: the far end comes nearer until the sides are straight.
std::optional<Coarse> CoarseSides(const Outline& outline, const SolidOptions& options) {
  constexpr double kStraightPx = 1.2;  // whole pixels on a slope
  if (outline.s.size() < 2) return std::nullopt;
  const double first = outline.s.front(), height = outline.s.back() - first;
  if (height < kLeastHeightPx) return std::nullopt;
  for (double far_part = options.far_part; far_part > 0.25; far_part -= 0.07) {
    Coarse coarse;
    coarse.near = first + options.near_part * height * far_part / options.far_part;
    coarse.far = first + far_part * height;
    bool straight = true;
    for (std::size_t side = 0; side < 2 && straight; ++side) {
      std::vector<double> s, x;
      for (std::size_t i = 0; i < outline.s.size(); ++i) {
        if (outline.s[i] < coarse.near || outline.s[i] > coarse.far) continue;
        s.push_back(outline.s[i]);
        x.push_back(outline.x[side][i]);
      }
      const auto fit = FitSide(s, x, options);
      straight = fit && fit->spread < kStraightPx;
      if (straight) coarse.side[side] = fit->line;
    }
    // Opens downwards, from a tip at about where the shape begins.
    const double opening = coarse.side[1].slope - coarse.side[0].slope;
    if (!straight || opening < 0.1) continue;
    const double tip = (coarse.side[0].intercept - coarse.side[1].intercept) / opening;
    if (std::abs(tip - first) < 0.25 * height) return coarse;
  }
  return std::nullopt;
}

}  // namespace

std::vector<cv::Mat1b> DarkShapes(const cv::Mat1f& light, const SolidOptions& options) {
  double low = 0.0, high = 0.0;
  cv::minMaxLoc(light, &low, &high);
  cv::Mat bytes, dark, labels, statistics, centres;
  light.convertTo(bytes, CV_8U, 255.0 / std::max(1e-6, high - low),
                  -255.0 * low / std::max(1e-6, high - low));
  cv::threshold(bytes, dark, 0, 255, cv::THRESH_BINARY_INV | cv::THRESH_OTSU);
  const int count = cv::connectedComponentsWithStats(dark, labels, statistics, centres, 4);
  struct Shape {
    int label = 0, area = 0;
    double from_tip = 0.0;
  };
  std::vector<Shape> shapes;
  for (int label = 1; label < count; ++label) {
    const int area = statistics.at<int>(label, cv::CC_STAT_AREA);
    if (area >= kLeastArea * static_cast<double>(light.total())) shapes.push_back({label, area, 0.0});
  }
  if (options.tip_px) {
    for (Shape& shape : shapes) {
      std::vector<cv::Point> pixels;
      cv::findNonZero(labels == shape.label, pixels);
      shape.from_tip = std::numeric_limits<double>::infinity();
      for (const cv::Point& p : pixels)
        shape.from_tip = std::min(shape.from_tip, cv::norm(cv::Point2d(p) - *options.tip_px));
    }
  }
  std::stable_sort(shapes.begin(), shapes.end(), [](const Shape& a, const Shape& b) {
    return a.from_tip != b.from_tip ? a.from_tip < b.from_tip : a.area > b.area;
  });
  // With a tip, the shape that is there and no other.
  shapes.resize(std::min(shapes.size(), options.tip_px ? std::size_t{1} : kMostShapes));
  std::vector<cv::Mat1b> result;
  for (const Shape& shape : shapes) result.emplace_back(labels == shape.label);
  return result;
}

std::optional<SolidEdges> EdgesOf(const cv::Mat1f& light, const cv::Mat1b& shape, double axis_deg,
                                  double part, const SolidOptions& options) {
  const double axis = axis_deg * std::numbers::pi / 180.0;
  const Axes axes{{std::sin(axis), std::cos(axis)}, {std::cos(axis), -std::sin(axis)}};
  const auto coarse = CoarseSides(OutlineOf(shape, axes), options);
  if (!coarse) return std::nullopt;
  SolidEdges edges;
  std::array<Line, 2> fine = coarse->side;
  constexpr int kRounds = 2;  // the second across the edge as the first found it
  for (int round = 0; round < kRounds; ++round) {
    for (std::size_t side = 0; side < 2; ++side) {
      const double sign = side == 0 ? -1.0 : 1.0;
      const double steep = std::hypot(1.0, fine[side].slope);
      // Across the edge, away from the shape.
      const cv::Point2d out = (axes.across - axes.down * fine[side].slope) * (sign / steep);
      std::vector<double> s, x;
      edges.points[side].clear();
      for (double at = coarse->near; at <= coarse->far; at += 1.0 / steep) {
        const cv::Point2d p = axes.down * at + axes.across * fine[side].Y(at);
        const auto offset = Crossing(light, p, out, part);
        if (!offset) continue;
        const cv::Point2d q = p + out * *offset;
        edges.points[side].push_back(q);
        s.push_back(q.dot(axes.down));
        x.push_back(q.dot(axes.across));
      }
      const auto fit = FitSide(s, x, options);
      if (!fit || fit->spread > options.most_spread_px) return std::nullopt;
      fine[side] = fit->line;
    }
  }
  const double s = (fine[0].intercept - fine[1].intercept) / (fine[1].slope - fine[0].slope);
  edges.tip = axes.down * s + axes.across * fine[0].Y(s);
  return edges;
}

}  // namespace conebook::vision
