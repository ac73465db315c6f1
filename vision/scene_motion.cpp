#include "vision/scene_motion.h"

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <utility>

#include <opencv2/imgproc.hpp>

#include "vision/mirrored_grid.h"

namespace conebook::vision {
namespace {

constexpr std::size_t kFewestPoints = 100;
constexpr std::size_t kFewestBodyPoints = 40;
constexpr float kMostShiftPx = 40.0F;

// Light of a frame between pixels, over the frame's gain. Places are looked up in the frame where the scene's
// edges are thought to have gone, so that the edges' own gradients stay right however far that is.
template <typename T>
class FrameLight {
 public:
  FrameLight(const ClipModel& model, const RowsView& rows, float gain)
      : light_(model.light.data()),
        rows_(rows),
        last_x_(model.reading.width_px - 1),
        last_y_(model.reading.height_px - 1),
        per_gain_(1.0F / gain) {}

  // False: outside the picture.
  bool At(float x, float y, float& value) const {
    if (!(x >= 0.0F) || !(y >= 0.0F)) return false;
    const int ix = static_cast<int>(x);
    const int iy = static_cast<int>(y);
    if (ix >= last_x_ || iy >= last_y_) return false;
    const float fx = x - static_cast<float>(ix);
    const float fy = y - static_cast<float>(iy);
    const T* a = rows_.template Row<T>(iy) + ix;
    const T* b = rows_.template Row<T>(iy + 1) + ix;
    const float above = light_[a[0]] + fx * (light_[a[1]] - light_[a[0]]);
    const float below = light_[b[0]] + fx * (light_[b[1]] - light_[b[0]]);
    value = (above + fy * (below - above)) * per_gain_;
    return true;
  }

 private:
  const float* light_;
  const RowsView& rows_;
  int last_x_, last_y_;
  float per_gain_;
};

// Least-squares shift of some points, `normal` the inverse of their 2 x 2 normal matrix.
template <typename Light>
cv::Point2f ShiftOf(const Light& frame, const std::vector<ScenePoint>& points,
                    const std::array<double, 4>& normal, cv::Point2f shift) {
  constexpr int kMostPasses = 16;  // a pass moves by two pixels at most where the start is far off
  for (int pass = 0; pass < kMostPasses; ++pass) {
    double sx = 0.0;
    double sy = 0.0;
    for (const ScenePoint& p : points) {
      float seen = 0.0F;
      if (!frame.At(static_cast<float>(p.x) + shift.x, static_cast<float>(p.y) + shift.y, seen)) continue;
      const float steep = std::hypot(p.gx, p.gy);
      const float miss = std::clamp(seen - p.light, -2.0F * steep, 2.0F * steep);
      sx += static_cast<double>(miss * p.gx);
      sy += static_cast<double>(miss * p.gy);
    }
    const double dx = -(normal[0] * sx + normal[1] * sy);
    const double dy = -(normal[2] * sx + normal[3] * sy);
    shift.x = std::clamp(shift.x + static_cast<float>(dx), -kMostShiftPx, kMostShiftPx);
    shift.y = std::clamp(shift.y + static_cast<float>(dy), -kMostShiftPx, kMostShiftPx);
    if (std::abs(dx) + std::abs(dy) < 0.01) break;
  }
  return shift;
}

// Of the points' edges, unexplained by a shift.
template <typename Light>
double Left(const Light& frame, const std::vector<ScenePoint>& points, cv::Point2f shift) {
  double sum = 0.0;
  for (const ScenePoint& p : points) {
    float seen = 0.0F;
    if (frame.At(static_cast<float>(p.x) + shift.x, static_cast<float>(p.y) + shift.y, seen))
      sum += std::abs(static_cast<double>(seen - p.light));
  }
  return sum;
}

using Row6 = cv::Vec<double, 6>;

// Derivatives of the expected light, signs turned: shift, growth and turn about the exit (per 100 px),
// contrast, veil.
Row6 Columns(const ScenePoint& p, const cv::Point2d& exit) {
  const double rx = 0.01 * (p.x - exit.x);
  const double ry = 0.01 * (p.y - exit.y);
  const auto gx = static_cast<double>(p.gx);
  const auto gy = static_cast<double>(p.gy);
  return {gx, gy, gx * rx + gy * ry, gy * rx - gx * ry, -static_cast<double>(p.light), -1.0};
}

template <typename Light>
SceneMotion Fit(const ClipModel& model, const Light& frame, cv::Point2f shift, int passes) {
  SceneMotion motion;
  motion.shift_px = shift;
  const auto ex = static_cast<float>(model.exit_px.x);
  const auto ey = static_cast<float>(model.exit_px.y);
  float contrast = 1.0F;
  float veil = 0.0F;
  for (int pass = 0; pass < passes; ++pass) {
    const float grown = std::exp(motion.ln_scale);
    const float c = grown * std::cos(motion.roll_rad);
    const float s = grown * std::sin(motion.roll_rad);
    const float cap = pass == 0 ? 2.0F : 1.0F;
    Row6 sum = Row6::all(0.0);
    double left = 0.0;
    double steepness = 0.0;
    for (const ScenePoint& p : model.scene_points) {
      const float rx = static_cast<float>(p.x) - ex;
      const float ry = static_cast<float>(p.y) - ey;
      float seen = 0.0F;
      if (!frame.At(ex + motion.shift_px.x + c * rx - s * ry, ey + motion.shift_px.y + s * rx + c * ry, seen))
        continue;
      const float steep = std::hypot(p.gx, p.gy);
      const float miss = std::clamp(seen - contrast * p.light - veil, -cap * steep, cap * steep);
      sum += static_cast<double>(miss) * Columns(p, model.exit_px);
      left += std::abs(static_cast<double>(miss));
      steepness += static_cast<double>(steep);
    }
    const Row6 step = model.scene_fit.inverse * sum;
    motion.shift_px.x =
        std::clamp(motion.shift_px.x - static_cast<float>(step[0]), -kMostShiftPx, kMostShiftPx);
    motion.shift_px.y =
        std::clamp(motion.shift_px.y - static_cast<float>(step[1]), -kMostShiftPx, kMostShiftPx);
    motion.ln_scale = std::clamp(motion.ln_scale - static_cast<float>(0.01 * step[2]), -0.7F, 0.7F);
    motion.roll_rad = std::clamp(motion.roll_rad - static_cast<float>(0.01 * step[3]), -0.7F, 0.7F);
    contrast = std::clamp(contrast - static_cast<float>(step[4]), 0.3F, 3.0F);
    veil -= static_cast<float>(step[5]);
    motion.miss_px = static_cast<float>(left / std::max(1e-9, steepness));
    const double moved = std::abs(step[0]) + std::abs(step[1]) + std::abs(step[2]) + std::abs(step[3]);
    if (moved < 0.01) break;
  }
  double left = 0.0;
  double steepness = 0.0;
  for (const ScenePoint& p : model.scene_points) {
    float here = 0.0F;
    float moved = 0.0F;
    const auto x = static_cast<float>(p.x);
    const auto y = static_cast<float>(p.y);
    if (!frame.At(x, y, here) || !frame.At(x + shift.x, y + shift.y, moved)) continue;
    const float steep = std::hypot(p.gx, p.gy);
    const float expected = contrast * p.light + veil;
    left += static_cast<double>(std::min({std::abs(here - expected), std::abs(moved - expected), steep}));
    steepness += static_cast<double>(steep);
  }
  motion.plain_miss_px = static_cast<float>(left / std::max(1e-9, steepness));
  return motion;
}

template <typename Do>
auto WithLight(const ClipModel& model, const RowsView& rows, float gain, Do what) {
  return model.format.bits > 8 ? what(FrameLight<std::uint16_t>(model, rows, gain))
                               : what(FrameLight<std::uint8_t>(model, rows, gain));
}

}  // namespace

std::array<double, 4> InverseWhereTold(double xx, double xy, double yy) {
  // Rendered clips of a plain tip lie below a hundredth, where codec and noise tell the shift, all others
  // above two.
  constexpr double kLeastShare = 0.015;
  const double sum = xx + yy;
  if (!(sum > 0.0)) return {0.0, 0.0, 0.0, 0.0};
  const double det = xx * yy - xy * xy;
  const double root = std::sqrt(std::max(0.0, 0.25 * sum * sum - det));
  const double large = 0.5 * sum + root;
  if (0.5 * sum - root > kLeastShare * sum) return {yy / det, -xy / det, -xy / det, xx / det};
  // The one direction that is told: eigenvector of the larger eigenvalue.
  double vx = xx >= yy ? large - yy : xy;
  double vy = xx >= yy ? xy : large - xx;
  const double length = std::hypot(vx, vy);
  vx /= length;
  vy /= length;
  return {vx * vx / large, vx * vy / large, vx * vy / large, vy * vy / large};
}

void PrepareSceneMotion(ClipModel& model) {
  model.scene_fit = {};
  model.scene_points.clear();
  model.body_points.clear();
  const cv::Mat1f& background = model.background;
  const int w = background.cols;
  float top = 0.0F;
  for (int y = 8; y < background.rows - 8; y += 8) {
    for (int x = FirstOnMirroredGrid(8, w, 9); x < w - 8; x += 9) top = std::max(top, background(y, x));
  }
  const float least_steep = 0.02F * std::max(top, 0.05F);
  const auto point = [&](int x, int y) {
    return ScenePoint{x, y, background(y, x), 0.5F * (background(y, x + 1) - background(y, x - 1)),
                      0.5F * (background(y + 1, x) - background(y - 1, x))};
  };
  const double d = model.exit_diameter_px;
  const auto free_of_spray = [&](int x, int y) {
    const double dy = y - model.exit_px.y;
    if (dy < -0.3 * d) return true;
    const double axis = model.AxisX(y);
    const double guess = x < axis ? axis - model.guess[0].X(dy) : model.guess[1].X(dy) - axis;
    return std::abs(x - axis) > 0.7 * d + 1.3 * std::max(0.0, guess) + 25.0;
  };
  std::vector<ScenePoint> steep;
  for (int y = 4; y < background.rows - 4; y += 2) {
    for (int x = FirstOnMirroredGrid(4, w, 3); x < w - 4; x += 3) {
      const ScenePoint p = point(x, y);
      if (std::hypot(p.gx, p.gy) > least_steep && free_of_spray(x, y)) steep.push_back(p);
    }
  }
  constexpr std::size_t kMostPoints = 1600;
  model.scene_points = ThinMirrored(std::move(steep), w, kMostPoints);
  cv::Matx<double, 6, 6> normal = cv::Matx<double, 6, 6>::zeros();
  for (const ScenePoint& p : model.scene_points) {
    const Row6 row = Columns(p, model.exit_px);
    normal += row * row.t();
  }
  if (model.scene_points.size() >= kFewestPoints) {
    bool ok = false;
    const cv::Matx<double, 6, 6> inverse = normal.inv(cv::DECOMP_CHOLESKY, &ok);
    const double steep2 = 0.5 * (normal(0, 0) + normal(1, 1));
    if (ok && inverse(2, 2) > 0.0 && inverse(3, 3) > 0.0) {
      model.scene_fit.inverse = inverse;
      model.scene_fit.growth_lever_px = 100.0 / std::sqrt(inverse(2, 2) * steep2);
      model.scene_fit.turn_lever_px = 100.0 / std::sqrt(inverse(3, 3) * steep2);
    }
  }
  // The tip, above the exit; its face below may be wet.
  const int x0 = std::max(2, static_cast<int>(std::ceil(model.exit_px.x - 2.2 * d)));
  const int x1 = std::min(background.cols - 3, static_cast<int>(model.exit_px.x + 2.2 * d));
  const int y0 = std::max(2, static_cast<int>(model.exit_px.y - 4.0 * d));
  const int y1 = std::min(background.rows - 3, static_cast<int>(model.exit_px.y - std::max(0.5 * d, 4.0)));
  std::vector<ScenePoint> body;
  for (int y = y0; y <= y1; ++y) {
    for (int x = x0; x <= x1; ++x) {
      const ScenePoint p = point(x, y);
      if (std::hypot(p.gx, p.gy) > least_steep) body.push_back(p);
    }
  }
  constexpr std::size_t kMostBodyPoints = 800;
  model.body_points = ThinMirrored(std::move(body), w, kMostBodyPoints);
  double xx = 0.0;
  double xy = 0.0;
  double yy = 0.0;
  for (const ScenePoint& p : model.body_points) {
    xx += static_cast<double>(p.gx * p.gx);
    xy += static_cast<double>(p.gx * p.gy);
    yy += static_cast<double>(p.gy * p.gy);
  }
  if (model.body_points.size() < kFewestBodyPoints) {
    model.body_points.clear();
  } else {
    model.body_normal = InverseWhereTold(xx, xy, yy);
  }
}

cv::Point2f SceneShift(const ClipModel& model, const RowsView& rows, float gain) {
  if (model.shake_points.size() < kFewestPoints) return {0.0F, 0.0F};
  return WithLight(model, rows, gain, [&](const auto& frame) {
    return ShiftOf(frame, model.shake_points, model.shake_normal, {0.0F, 0.0F});
  });
}

cv::Point2f BodyShift(const ClipModel& model, const RowsView& rows, float gain, cv::Point2f shift) {
  if (model.body_points.empty()) return shift;
  return WithLight(model, rows, gain, [&](const auto& frame) {
    const cv::Point2f found = ShiftOf(frame, model.body_points, model.body_normal, shift);
    constexpr double kLeastGain = 0.8;  // of what was left before
    return Left(frame, model.body_points, found) < kLeastGain * Left(frame, model.body_points, shift) ? found
                                                                                                      : shift;
  });
}

SceneMotion FitSceneMotion(const ClipModel& model, const RowsView& rows, float gain, cv::Point2f shift,
                           int passes) {
  if (!model.scene_fit.Usable()) {
    SceneMotion motion;
    motion.shift_px = shift;
    return motion;
  }
  return WithLight(model, rows, gain, [&](const auto& frame) { return Fit(model, frame, shift, passes); });
}

RowsView PutBack(const ClipModel& model, const RowsView& rows, const SceneMotion& motion, cv::Mat& buffer) {
  const int type = model.format.bits > 8 ? CV_16UC1 : CV_8UC1;
  const cv::Mat frame(model.reading.height_px, model.reading.width_px, type,
                      const_cast<std::uint8_t*>(rows.data), static_cast<std::size_t>(rows.stride_bytes));
  const double grown = std::exp(static_cast<double>(motion.ln_scale));
  const double c = grown * std::cos(static_cast<double>(motion.roll_rad));
  const double s = grown * std::sin(static_cast<double>(motion.roll_rad));
  const double ex = model.exit_px.x;
  const double ey = model.exit_px.y;
  const cv::Matx23d frame_from_scene(c, -s, ex + static_cast<double>(motion.shift_px.x) - c * ex + s * ey,  //
                                     s, c, ey + static_cast<double>(motion.shift_px.y) - s * ex - c * ey);
  cv::Mat out;
  cv::warpAffine(frame, out, frame_from_scene, frame.size(), cv::INTER_CUBIC | cv::WARP_INVERSE_MAP,
                 cv::BORDER_REPLICATE);
  buffer = out;
  return {buffer.data, static_cast<std::ptrdiff_t>(buffer.step)};
}

}  // namespace conebook::vision
