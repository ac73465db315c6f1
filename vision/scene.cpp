#include "vision/scene.h"

#include <algorithm>
#include <cmath>
#include <numeric>
#include <span>
#include <utility>

#include <opencv2/imgproc.hpp>

#include "vision/mirrored_grid.h"
#include "vision/scene_motion.h"
#include "vision/statistics.h"

namespace conebook::vision {
namespace {

template <typename T>
void AddLight(const ClipModel& model, const RowsView& rows, cv::Mat1f& sum) {
  const float* light = model.light.data();
  for (int y = 0; y < sum.rows; ++y) {
    const T* code = rows.Row<T>(y);
    float* out = sum[y];
    for (int x = 0; x < sum.cols; ++x) out[x] += light[code[x]];
  }
}

}  // namespace

float SampleGain(const cv::Mat1f& image, const ClipModel& model) {
  constexpr int kStep = 3;
  constexpr float kDarkest = 0.01F;
  constexpr std::size_t kEnough = 60;
  const int margin = std::max(1, image.cols / 12);
  std::vector<float> ratios;
  for (int y = 0; y < image.rows; y += kStep) {
    for (int x = 0; x < image.cols; x += kStep) {
      if (x >= margin && x < image.cols - margin) continue;
      if (model.background(y, x) > kDarkest) ratios.push_back(image(y, x) / model.background(y, x));
    }
  }
  if (ratios.size() < kEnough) return 1.0F;
  return std::clamp(MedianInPlace(std::span<float>(ratios)), 0.2F, 5.0F);
}

cv::Mat1f MeanAbsoluteChange(const std::vector<LumaFrame>& sample, const ClipModel& model) {
  cv::Mat1f sum(model.background.size(), 0.0F);
  for (const LumaFrame& frame : sample) {
    const cv::Mat1f image = LightImage(model, frame);
    cv::Mat1f change;
    cv::absdiff(image, SampleGain(image, model) * model.background, change);
    sum += change;
  }
  if (!sample.empty()) sum.convertTo(sum, CV_32F, 1.0 / static_cast<double>(sample.size()));
  return sum;
}

cv::Rect NearBox(const ClipModel& model) {
  const double d = model.exit_diameter_px;
  const int top = static_cast<int>(model.exit_px.y + std::max(1.0, 0.3 * d));
  const double reach = NearReachPx(model);
  const int bottom = static_cast<int>(model.exit_px.y + reach);
  const double half = 0.7 * d + 2.0 * reach;
  const cv::Rect all(0, 0, model.reading.width_px, model.reading.height_px);
  if (model.exit_found) return all;
  return cv::Rect(cv::Point(static_cast<int>(model.exit_px.x - half), top),
                  cv::Point(static_cast<int>(model.exit_px.x + half), bottom)) &
         all;
}

double NearReachPx(const ClipModel& model) {
  return std::max({8.0 * model.exit_diameter_px, 80.0, 0.25 * (model.reading.height_px - model.exit_px.y)});
}

cv::Mat1f LightImage(const ClipModel& model, const LumaFrame& frame) {
  cv::Mat turned;
  cv::Mat turned_again;
  const RowsView rows = ViewRows(model.reading, model.format, frame, turned, turned_again);
  cv::Mat1f image(model.reading.height_px, model.reading.width_px, 0.0F);
  if (model.format.bits > 8) {
    AddLight<std::uint16_t>(model, rows, image);
  } else {
    AddLight<std::uint8_t>(model, rows, image);
  }
  return image;
}

void BackgroundMean::Add(const LumaFrame& frame) {
  if (sum_.empty()) sum_ = cv::Mat1f(model_.reading.height_px, model_.reading.width_px, 0.0F);
  const RowsView rows = ViewRows(model_.reading, model_.format, frame, turned_, turned_again_);
  if (model_.format.bits > 8) {
    AddLight<std::uint16_t>(model_, rows, sum_);
  } else {
    AddLight<std::uint8_t>(model_, rows, sum_);
  }
  ++frames_;
}

void BackgroundMean::Clear() {
  sum_ = cv::Mat1f();
  frames_ = 0;
}

cv::Mat1f BackgroundMean::Mean() const {
  cv::Mat1f mean;
  sum_.convertTo(mean, CV_32F, 1.0 / static_cast<double>(std::max(1, frames_)));
  return mean;
}

SampleMotion MotionOfSample(const std::vector<LumaFrame>& sample, const ClipModel& model) {
  const int w = model.reading.width_px;
  const int h = model.reading.height_px;
  std::vector<cv::Mat1f> images;
  for (const LumaFrame& frame : sample) images.push_back(LightImage(model, frame));
  SampleMotion motion{cv::Mat1f(h, w), cv::Mat1f(h, w)};
  std::vector<float> values(images.size());
  for (int y = 0; y < h; ++y) {
    for (int x = 0; x < w; ++x) {
      for (std::size_t k = 0; k < images.size(); ++k) values[k] = images[k](y, x);
      const float m = MedianInPlace(std::span<float>(values));
      for (float& v : values) v = std::abs(v - m);
      motion.median(y, x) = m;
      float mean = 0.0F;
      for (const float v : values) mean += v;
      motion.activity(y, x) = mean / static_cast<float>(values.size());
    }
  }
  cv::blur(motion.activity, motion.activity, cv::Size(5, 5));
  return motion;
}

namespace {

// What moves above the exit, where there is no spray: what a codec makes of a still wall, in its few worst
// places.
float MotionAbove(const cv::Mat1f& activity, const ClipModel& model) {
  constexpr std::size_t kFewest = 200;
  constexpr double kPart = 0.98;
  std::vector<double> values;
  const int end = static_cast<int>(model.exit_px.y - 0.3 * model.exit_diameter_px) - 3;
  for (int y = 3; y < end; y += 2) {
    for (int x = 3; x + 3 < activity.cols; x += 2) values.push_back(static_cast<double>(activity(y, x)));
  }
  return values.size() < kFewest ? 0.0F : static_cast<float>(QuantileInPlace(values, kPart));
}

struct Stretch {
  int left = -1, right = -1;
  bool to_left_end = false, to_right_end = false;  // of the picture
};

// Where a row moves, but for the outermost fiftieth of its motion on either side: blocks of a codec that
// flicker far from the spray move by little.
Stretch MovingStretch(const float* activity, int columns, float cut) {
  constexpr float kOutermost = 0.02F;
  float all = 0.0F;
  for (int x = 0; x < columns; ++x) all += std::max(0.0F, activity[x] - cut);
  Stretch stretch;
  if (!(all > 0.0F)) return stretch;
  float sum = 0.0F;
  for (int x = 0; x < columns; ++x) {
    sum += std::max(0.0F, activity[x] - cut);
    if (stretch.left < 0 && sum > kOutermost * all) stretch.left = x;
    if (sum < (1.0F - kOutermost) * all) stretch.right = x + 1;
  }
  stretch.right = std::min(stretch.right, columns - 1);
  constexpr int kBorderPx = 3;
  const int near = std::max(kBorderPx, columns / 20);
  stretch.to_left_end = stretch.left <= near && activity[kBorderPx] > cut;
  stretch.to_right_end = stretch.right >= columns - 1 - near && activity[columns - 1 - kBorderPx] > cut;
  return stretch;
}

int FirstRowBelowExit(const ClipModel& model) {
  return std::max(0, static_cast<int>(model.exit_px.y + std::max(2.0, 0.5 * model.exit_diameter_px)));
}

// The light between two sides, outward of the axis, continued straight from what lies just outside them.
void ContinueAcross(const cv::Mat1f& median, const std::array<Line, 2>& lines, ClipModel& model) {
  const int w = model.reading.width_px;
  const int h = model.reading.height_px;
  const int first = FirstRowBelowExit(model);
  for (int y = first; y < h; ++y) {
    const double d = y - model.exit_px.y;
    const double axis = model.AxisX(y);
    const double margin = ContinuedBesidePx(d);
    const int a = static_cast<int>(std::floor(axis - std::max(lines[0].Y(d), 3.0) - margin));
    const int b = static_cast<int>(std::ceil(axis + std::max(lines[1].Y(d), 3.0) + margin));
    const auto level = [&](int from, int to) {
      std::vector<float> v;
      for (int yy = std::max(0, y - 4); yy <= std::min(h - 1, y + 4); ++yy) {
        for (int x = std::max(0, from); x <= std::min(w - 1, to); ++x) v.push_back(median(yy, x));
      }
      return v.empty() ? -1.0F : MedianInPlace(std::span<float>(v));
    };
    float left = level(a - 10, a);
    float right = level(b, b + 10);
    if (left < 0.0F && right < 0.0F) continue;
    if (left < 0.0F) left = right;
    if (right < 0.0F) right = left;
    for (int x = std::max(0, a); x <= std::min(w - 1, b); ++x) {
      const float t =
          std::clamp(static_cast<float>(x - a) / static_cast<float>(std::max(1, b - a)), 0.0F, 1.0F);
      model.background(y, x) = left + t * (right - left);
    }
  }
}

}  // namespace

void BackgroundFromSpray(const SampleMotion& motion, bool exit_known, ClipModel& model) {
  const int w = model.reading.width_px;
  const int h = model.reading.height_px;
  const cv::Mat1f& median = motion.median;
  const cv::Mat1f& activity = motion.activity;
  model.background = median.clone();
  model.background_frames = 0;
  if (!exit_known) return;
  // Per row below the exit: the moving stretch about the axis, as lines on both sides; across it the light is
  // continued straight from what lies just outside.
  std::vector<double> quiet;
  for (int y = 0; y < h; y += 4) {
    for (int x = 0; x < w; x += 4) quiet.push_back(static_cast<double>(activity(y, x)));
  }
  const auto still = static_cast<float>(QuantileInPlace(quiet, 0.20));
  // Noise of single pixels is the same all over, and its own scatter says how far it reaches; the noise of a
  // codec comes in patches. Between the 5th and 20th part of a normal distribution lie 0.80 sigma, to its
  // middle from there 0.84.
  const float sigma = (still - static_cast<float>(QuantileInPlace(quiet, 0.05))) / 0.80F;
  const float noise = model.format.compressed ? 3.0F * still : still + (0.84F + 8.0F) * sigma;
  float strongest = 0.0F;
  {
    std::vector<float> near;
    const cv::Rect box = NearBox(model);
    for (int y = box.y; y < box.y + box.height; ++y) {
      for (int x = box.x; x < box.x + box.width; ++x) near.push_back(activity(y, x));
    }
    if (near.empty()) return;
    const auto high = near.begin() + static_cast<std::ptrdiff_t>(near.size() * 9 / 10);
    std::nth_element(near.begin(), high, near.end());
    strongest = *high;
  }
  const float cut = std::max({noise, still + 0.15F * (strongest - still),
                              std::min(MotionAbove(activity, model), still + 0.3F * (strongest - still))});
  std::array<std::vector<double>, 2> dy;
  std::array<std::vector<double>, 2> out;
  const int first = FirstRowBelowExit(model);
  for (int y = first; y < h; ++y) {
    const double axis = model.AxisX(y);
    const Stretch moving = MovingStretch(activity[y], w, cut);
    if (moving.left < 0) continue;
    // Where the moving stretch goes on to the picture's end, its side lies somewhere outside.
    if (moving.left < axis && !moving.to_left_end) {
      dy[0].push_back(y - model.exit_px.y);
      out[0].push_back(axis - moving.left);
    }
    if (moving.right > axis && !moving.to_right_end) {
      dy[1].push_back(y - model.exit_px.y);
      out[1].push_back(moving.right - axis);
    }
  }
  std::array<Line, 2> lines;
  for (std::size_t side = 0; side < 2; ++side) {
    RobustLineOptions options;
    options.floor = 3.0;
    const std::optional<Line> line = FitRobustLine(dy[side], out[side], options);
    if (!line) return;
    lines[side] = *line;
  }
  ContinueAcross(median, lines, model);
}

void BackgroundBesideGuess(const SampleMotion& motion, ClipModel& model) {
  std::array<Line, 2> lines;
  for (std::size_t side = 0; side < 2; ++side) {
    const double sign = side == kRightSide ? 1.0 : -1.0;
    lines[side].intercept = sign * (model.guess[side].at_exit_px - model.exit_px.x);
    lines[side].slope = sign * (model.guess[side].slope - model.axis_slope);
  }
  model.background = motion.median.clone();
  ContinueAcross(motion.median, lines, model);
}

double ChangeSign(const std::vector<LumaFrame>& sample, const ClipModel& model) {
  const cv::Rect box = NearBox(model);
  if (sample.empty() || box.empty()) return 0.0;
  std::vector<double> of_row(static_cast<std::size_t>(box.height), 0.0);
  std::vector<float> changes(static_cast<std::size_t>(box.width));
  const std::size_t strong = changes.size() * 24 / 25;
  for (const LumaFrame& frame : sample) {
    const cv::Mat1f image = LightImage(model, frame);
    const float gain = SampleGain(image, model);
    for (int row = 0; row < box.height; ++row) {
      for (int i = 0; i < box.width; ++i) {
        const int x = box.x + i;
        const int y = box.y + row;
        changes[static_cast<std::size_t>(i)] = image(y, x) - gain * model.background(y, x);
      }
      const auto at = changes.begin() + static_cast<std::ptrdiff_t>(strong);
      std::nth_element(changes.begin(), at, changes.end(),
                       [](float a, float b) { return std::abs(a) < std::abs(b); });
      of_row[static_cast<std::size_t>(row)] +=
          std::accumulate(at, changes.end(), 0.0) / static_cast<double>(changes.end() - at);
    }
  }
  // What foams or moves in a few rows may change more than all the spray: no row counts for more than the
  // upper quartile does.
  std::vector<double> sizes;
  for (const double v : of_row) sizes.push_back(std::abs(v));
  const double most = QuantileInPlace(sizes, 0.75);
  double sum = 0.0;
  for (const double v : of_row) sum += std::clamp(v, -most, most);
  return sum / static_cast<double>(of_row.size() * sample.size());
}

double ChangeBelowExit(const std::vector<LumaFrame>& sample, const ClipModel& model) {
  const cv::Mat1f change = MeanAbsoluteChange(sample, model);
  const cv::Rect box = NearBox(model);
  std::vector<float> values;
  for (int y = box.y; y < box.y + box.height; ++y) {
    for (int x = box.x; x < box.x + box.width; ++x) values.push_back(change(y, x));
  }
  if (values.empty()) return 0.0;
  const auto at = values.begin() + static_cast<std::ptrdiff_t>(values.size() * 9 / 10);
  std::nth_element(values.begin(), at, values.end());
  return static_cast<double>(*at);
}

namespace {

cv::Rect LitWindow(const cv::Mat1f& background) {
  constexpr float kLeastLit = 0.05F * 255.0F;  // of a column or row
  constexpr double kUnlit = 3e-3;
  cv::Mat1b lit;
  cv::compare(background, kUnlit, lit, cv::CMP_GT);
  cv::Mat1f columns;
  cv::Mat1f rows;
  cv::reduce(lit, columns, 0, cv::REDUCE_AVG, CV_32F);
  cv::reduce(lit, rows, 1, cv::REDUCE_AVG, CV_32F);
  int left = 0;
  int right = lit.cols;
  int bottom = lit.rows;
  while (left < right && columns(0, left) < kLeastLit) ++left;
  while (right > left && columns(0, right - 1) < kLeastLit) --right;
  while (bottom > 0 && rows(bottom - 1, 0) < kLeastLit) --bottom;
  const cv::Rect window(left, 0, right - left, bottom);
  const bool dark = 3 * window.width < lit.cols || 3 * window.height < lit.rows;
  return dark ? cv::Rect(0, 0, lit.cols, lit.rows) : window;
}

}  // namespace

void SetField(ClipModel& model) {
  model.lit = cv::Rect(0, 0, model.background.cols, model.background.rows);
  if (model.illumination == Illumination::kFrontlit) {
    model.field = model.background;
    return;
  }
  constexpr float kDarkest = 1e-3F;  // nothing can be told from a background darker than this
  model.field.create(model.background.size());
  for (int y = 0; y < model.field.rows; ++y) {
    for (int x = 0; x < model.field.cols; ++x)
      model.field(y, x) = 1.0F / std::max(model.background(y, x), kDarkest);
  }
  model.lit = LitWindow(model.background);
}

void ChooseScenePoints(ClipModel& model) {
  const int w = model.reading.width_px;
  const int h = model.reading.height_px;
  const double d = model.exit_diameter_px;
  const auto free_of_spray = [&](int x, int y) {
    const double dy = y - model.exit_px.y;
    const double dx = std::abs(x - model.AxisX(y));
    if (dy < -0.3 * d) return true;
    return dx > 0.7 * d + 2.3 * std::max(0.0, dy) + 25.0;
  };
  std::vector<ScenePoint> gain;
  std::vector<ScenePoint> steep;
  float top = 0.0F;
  for (int y = 8; y < h - 8; y += 8) {
    for (int x = FirstOnMirroredGrid(8, w, 9); x < w - 8; x += 9) top = std::max(top, model.background(y, x));
  }
  for (int y = 4; y < h - 4; y += 2) {
    for (int x = FirstOnMirroredGrid(4, w, 3); x < w - 4; x += 3) {
      if (!free_of_spray(x, y)) continue;
      const float b = model.background(y, x);
      if (OnMirroredGrid(x, w, 9) && y % 8 == 0 && b > 0.25F * top && b > 0.02F && b < 0.97F)
        gain.push_back({x, y, b, 0.0F, 0.0F});
      const float gx = 0.5F * (model.background(y, x + 1) - model.background(y, x - 1));
      const float gy = 0.5F * (model.background(y + 1, x) - model.background(y - 1, x));
      if (std::hypot(gx, gy) > 0.02F * std::max(top, 0.05F)) steep.push_back({x, y, b, gx, gy});
    }
  }
  model.gain_points = ThinMirrored(std::move(gain), w, 1500);
  model.shake_points = ThinMirrored(std::move(steep), w, 2500);
  double xx = 0.0;
  double xy = 0.0;
  double yy = 0.0;
  for (const ScenePoint& p : model.shake_points) {
    xx += static_cast<double>(p.gx) * static_cast<double>(p.gx);
    xy += static_cast<double>(p.gx) * static_cast<double>(p.gy);
    yy += static_cast<double>(p.gy) * static_cast<double>(p.gy);
  }
  constexpr std::size_t kFewestPoints = 100;
  if (model.shake_points.size() < kFewestPoints) {
    model.shake_points.clear();
    return;
  }
  model.shake_normal = InverseWhereTold(xx, xy, yy);
}

}  // namespace conebook::vision
