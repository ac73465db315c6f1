#include "vision/background_effect.h"

#include <algorithm>
#include <cmath>
#include <vector>

#include <calib/regression.h>

#include "vision/scene.h"

namespace conebook::vision {
namespace {

// Mean of the background over the columns [first, last] of a row; nothing outside of what is lit.
std::optional<double> MeanLight(const ClipModel& model, int y, int first, int last) {
  const cv::Rect picture(0, 0, model.background.cols, model.background.rows);
  const cv::Rect lit = model.lit.empty() ? picture : model.lit & picture;
  if (first < lit.x || last >= lit.x + lit.width || y < lit.y || y >= lit.y + lit.height) return std::nullopt;
  const float* row = model.background[y];
  double sum = 0.0;
  for (int x = first; x <= last; ++x) sum += static_cast<double>(row[x]);
  return sum / (last - first + 1);
}

// In signal: what a place differs by from the level beyond it. Either side is the other's mirror image.
std::optional<double> Difference(const ClipModel& model, int y, double x, int out,
                                 const BackgroundEffectOptions& options) {
  constexpr double kDark = 1e-3;
  const int at = static_cast<int>(out > 0 ? std::floor(x + 0.5) : std::ceil(x - 0.5));
  const int near = at + out * options.gap_px;
  const int far = near + out * (options.band_px - 1);
  const auto here = MeanLight(model, y, at - 1, at + 1);
  const auto beyond = MeanLight(model, y, std::min(near, far), std::max(near, far));
  if (!here || !beyond) return std::nullopt;
  const double by = *here - *beyond;
  if (model.illumination == Illumination::kFrontlit) return by;
  // In back light the signal is the share of light that is gone.
  return *beyond < kDark ? std::nullopt : std::optional(-by / *beyond);
}

}  // namespace

std::optional<double> SlopeByBackground(const ClipModel& model, std::span<const BoundaryRow> boundary,
                                        int side, int row0, int row1, double flank,
                                        const BackgroundEffectOptions& options) {
  constexpr std::size_t kLeastRows = 8;
  const int out = side == kRightSide ? 1 : -1;
  double squares = 0.0;
  int lines = 0;
  for (int line = 1; line <= options.lines; ++line) {
    std::vector<double> at;
    std::vector<double> moved;
    double rows = 0.0;
    for (const BoundaryRow& row : boundary) {
      if (row.row < row0 || row.row >= row1) continue;
      rows += 1.0;
      const int y = model.Row(row.row);
      const double beside = ContinuedBesidePx(y - model.exit_px.y) + line * options.step_px;
      if (const auto by = Difference(model, y, model.AxisX(y) + out * (row.out_px + beside), out, options)) {
        at.push_back(y);
        moved.push_back(flank * *by);
      }
    }
    if (at.size() < kLeastRows || static_cast<double>(at.size()) < options.least_seen * rows) continue;
    const auto fit = calib::FitLine(at, moved);
    if (!fit) continue;
    squares += fit->slope * fit->slope;
    ++lines;
  }
  return lines > 0 ? std::optional(std::sqrt(squares / lines)) : std::nullopt;
}

}  // namespace conebook::vision
