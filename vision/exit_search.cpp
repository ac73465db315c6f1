#include "vision/exit_search.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <optional>

#include <opencv2/imgproc.hpp>

#include "vision/hyperboloid.h"
#include "vision/rim_search.h"
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

// Half widths follow h^2 = r0^2 + (t (y - exit))^2, straight paths off a ring of radius r0. The exit for
// which the best t leaves the least: the lines that the sides tend to meet there, not where they are as far
// apart as the exit is wide.
double ExitOfHyperbola(const std::vector<double>& y, const std::vector<double>& h, double r0) {
  const double span = y.back() - y.front();
  double best = y.front();
  double least = std::numeric_limits<double>::max();
  constexpr int kSteps = 200;
  for (int step = 0; step <= kSteps; ++step) {
    const double exit = y.front() - span * step / kSteps;
    double up = 0.0;
    double down = 0.0;
    for (std::size_t i = 0; i < y.size(); ++i) {
      const double u = y[i] - exit;
      up += (h[i] * h[i] - r0 * r0) * u * u / (h[i] * h[i]);
      down += u * u * u * u / (h[i] * h[i]);
    }
    if (!(up > 0.0)) continue;
    const double t2 = up / down;
    double left = 0.0;
    for (std::size_t i = 0; i < y.size(); ++i) {
      const double u = y[i] - exit;
      left += std::abs(h[i] - std::sqrt(r0 * r0 + t2 * u * u));
    }
    if (left < least) {
      least = left;
      best = exit;
    }
  }
  return best;
}

// Where the two outer sides of the change come from.
std::optional<cv::Point2d> WhereSidesMeet(const cv::Mat1f& change, const RowChange& rows,
                                          double diameter_px) {
  constexpr double kLeastOpening = 0.1;                             // of the width a row, both sides together
  constexpr double kMostOfPicture = 0.015, kMostOfHalfWidth = 0.1;  // residual, px
  constexpr int kEdgePx = 4, kLeavingRows = 3;
  constexpr float kSideOfTop = 0.2F;
  constexpr std::size_t kBlockRows = 8;
  const int w = change.cols;
  int leaving = 0;
  std::optional<std::size_t> leaves_at;
  std::vector<double> ys;
  std::vector<double> left;
  std::vector<double> right;
  for (int y = 0; y < change.rows; ++y) {
    const float top = rows.top[static_cast<std::size_t>(y)];
    if (top <= rows.cut) continue;
    // A lamp mirrored between the sides outshines them.
    const float level =
        rows.middle[static_cast<std::size_t>(y)] + std::max(kSideOfTop * top, std::min(0.5F * top, rows.cut));
    int a = 0;
    while (a < w && change(y, a) <= level) ++a;
    int b = w - 1;
    while (b > a && change(y, b) <= level) --b;
    // A side at the picture's edge has left it.
    if (a < kEdgePx || b > w - 1 - kEdgePx) {
      if (++leaving == kLeavingRows && !leaves_at) leaves_at = ys.size();
      continue;
    }
    if (b - a < w / 20) continue;
    ys.push_back(y);
    left.push_back(a);
    right.push_back(b);
  }
  RobustLineOptions options;
  options.floor = 4.0;
  options.min_points = 8;
  // A clump within the spray may outshine the side of its row: of every eight rows the second outermost.
  struct Sides {
    Line left, right;
    std::vector<double> y, half;  // of the rows that lie along both lines
  };
  const auto lines = [&](std::size_t count) -> std::optional<Sides> {
    if (static_cast<int>(count) < std::max(24, change.rows / 12)) return std::nullopt;
    std::vector<double> y;
    std::array<std::vector<double>, 2> side;
    for (std::size_t i = 0; i + kBlockRows <= count; i += kBlockRows) {
      const auto at = static_cast<std::ptrdiff_t>(i);
      std::array<double, kBlockRows> a{};
      std::array<double, kBlockRows> b{};
      std::copy_n(left.begin() + at, kBlockRows, a.begin());
      std::copy_n(right.begin() + at, kBlockRows, b.begin());
      std::nth_element(a.begin(), a.begin() + 1, a.end());
      std::nth_element(b.begin(), b.end() - 2, b.end());
      y.push_back(0.5 * (ys[i] + ys[i + kBlockRows - 1]));
      side[0].push_back(a[1]);
      side[1].push_back(b[kBlockRows - 2]);
    }
    const auto l = FitRobustLine(y, side[0], options);
    const auto r = FitRobustLine(y, side[1], options);
    if (!l || !r || r->slope - l->slope < kLeastOpening) return std::nullopt;
    const double middle = 0.5 * (y.front() + y.back());
    const double most = std::max(kMostOfPicture * w, kMostOfHalfWidth * 0.5 * (r->Y(middle) - l->Y(middle)));
    if (std::max(l->residual_sd, r->residual_sd) > most) return std::nullopt;
    Sides sides{*l, *r, {}, {}};
    for (std::size_t i = 0; i < y.size(); ++i) {
      const double off = std::max(std::abs(side[0][i] - l->Y(y[i])), std::abs(side[1][i] - r->Y(y[i])));
      if (off > 2.0 * most || side[1][i] - side[0][i] < 2.0) continue;
      sides.y.push_back(y[i]);
      sides.half.push_back(0.5 * (side[1][i] - side[0][i]));
    }
    return sides;
  };
  // Below where a wide spray leaves the picture, what is found within it are drops, not its sides; and where
  // drops fly wide of the sheet, its sides are those of the upper rows.
  constexpr std::array<double, 4> kUpperParts = {1.0, 0.7, 0.5, 0.35};
  std::optional<Sides> sides;
  for (const double part : kUpperParts) {
    if (!sides) sides = lines(static_cast<std::size_t>(part * static_cast<double>(ys.size())));
    if (!sides && leaves_at && part == kUpperParts.front()) sides = lines(*leaves_at);
  }
  if (!sides) return std::nullopt;
  if (sides->y.size() < 8) return std::nullopt;
  const double y = ExitOfHyperbola(sides->y, sides->half, 0.5 * kFilmOfExit * diameter_px);
  const double x = 0.5 * (sides->left.Y(y) + sides->right.Y(y));
  if (y < 0.0 || y > 0.7 * change.rows || x < 0.0 || x > w - 1.0) return std::nullopt;
  return cv::Point2d{x, y};
}

// More where there is more liquid: against the spray-free picture where there is one, else as it is.
cv::Mat1f LiquidOf(const std::vector<LumaFrame>& sample, const ClipModel& model) {
  cv::Mat1f sum(model.background.size(), 0.0F);
  for (const LumaFrame& frame : sample) sum += LightImage(model, frame);
  sum.convertTo(sum, CV_32F, 1.0 / static_cast<double>(sample.size()));
  if (!model.background_from_spray) sum -= model.background;
  return model.illumination == Illumination::kBacklit ? cv::Mat1f(-sum) : sum;
}

}  // namespace

bool FindExit(const std::vector<LumaFrame>& sample, ClipModel& model) {
  const cv::Mat1f change = ChangeBeyondShake(sample, model);
  const RowChange rows = ChangeOfRows(change);
  const auto first = FirstLastingRows(change, rows);
  const auto meet = WhereSidesMeet(change, rows, model.exit_diameter_px);
  constexpr double kSure = 0.6;
  const auto rims = sample.empty()
                        ? std::nullopt
                        : FindRims(LiquidOf(sample, model), 0.5 * kFilmOfExit * model.exit_diameter_px);
  if (!first && !meet && !rims) return false;
  constexpr double kLeastPx = 3.0;
  constexpr double kSides = 0.02, kNear = 0.02, kFarAbove = 0.08,
                   kFarBelow = 0.04;  // of the picture's height
  // The first rows that change are the sharpest look where one of the others tells the same. Rows that fail
  // to change near the exit put them too low, a body that shakes too high. The sides as a whole go to some
  // pixels only, but are not led so far astray.
  const bool sure = rims && rims->score > kSure;
  if (sure && first && cv::norm(*first - rims->exit_px) < kNear * change.rows) {
    model.exit_px = *first;
    model.u_exit_px = std::max(kLeastPx, 0.5 * cv::norm(*first - rims->exit_px));
    return true;
  }
  const double apart = first && meet ? first->y - meet->y : 0.0;
  const double between = first && meet ? cv::norm(*first - *meet) : 0.0;
  const bool agree = first && meet &&
                     (sure ? between <= kNear * change.rows
                           : between <= kFarAbove * change.rows && apart <= kFarBelow * change.rows);
  if (agree) {
    model.exit_px = *first;
    model.u_exit_px = std::max(kLeastPx, 0.5 * std::abs(apart));
    return true;
  }
  if (!sure && !first && !meet) return false;
  model.exit_px = sure ? rims->exit_px : meet ? *meet : *first;
  model.u_exit_px = kSides * change.rows;
  if (sure && meet && cv::norm(*meet - rims->exit_px) < kFarAbove * change.rows)
    model.exit_px = 0.5 * (*meet + rims->exit_px);
  return true;
}

}  // namespace conebook::vision
