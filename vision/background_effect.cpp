#include "vision/background_effect.h"

#include <algorithm>
#include <cmath>
#include <vector>

namespace conebook::vision {
namespace {

// Mean of the background over [x0, x1) of a row; nothing outside of the picture.
std::optional<double> MeanLight(const ClipModel& model, int y, int x0, int x1) {
  if (x0 < 0 || x1 > model.background.cols || x1 <= x0 || y < 0 || y >= model.background.rows)
    return std::nullopt;
  const float* row = model.background[y];
  double sum = 0.0;
  for (int x = x0; x < x1; ++x) sum += static_cast<double>(row[x]);
  return sum / (x1 - x0);
}

// In parts of the signal: what the place differs by from the level beyond it.
std::optional<double> Difference(const ClipModel& model, int y, double x, int out,
                                 const BackgroundEffectOptions& options) {
  const int at = static_cast<int>(std::lround(x));
  const auto here = MeanLight(model, y, at - 1, at + 2);
  const int near = at + out * options.gap_px;
  const int far = near + out * options.band_px;
  const auto beyond = MeanLight(model, y, std::min(near, far), std::max(near, far));
  if (!here || !beyond) return std::nullopt;
  const double by = *here - *beyond;
  // In back light the signal is the share of light that is gone.
  return model.illumination == Illumination::kFrontlit ? by : -by / std::max(1e-3, *beyond);
}

struct SlopeSum {
  double n = 0.0, y = 0.0, d = 0.0, yy = 0.0, yd = 0.0;
  void Add(double at, double value) {
    n += 1.0;
    y += at;
    d += value;
    yy += at * at;
    yd += at * value;
  }
  double Slope() const { return (yd - y * d / n) / std::max(1e-9, yy - y * y / n); }
};

}  // namespace

std::optional<double> SlopeByBackground(const ClipModel& model, std::span<const BoundaryRow> boundary,
                                        int side, int row0, int row1, double flank,
                                        const BackgroundEffectOptions& options) {
  const auto at = static_cast<std::size_t>(side);
  const int out = side == kRightSide ? 1 : -1;
  double squares = 0.0;
  int lines = 0;
  for (int line = 1; line <= options.lines; ++line) {
    SlopeSum sum;
    double rows = 0.0;
    for (const BoundaryRow& row : boundary) {
      if (row.row < row0 || row.row >= row1) continue;
      rows += 1.0;
      const int y = model.Row(row.row);
      const double x = model.AxisX(y) + out * (row.out_px + line * options.step_px);
      if (const auto by = Difference(model, y, x, out, options))
        sum.Add(y, flank * *by / static_cast<double>(model.level[at]));
    }
    if (sum.n < 8.0 || sum.n < options.least_seen * rows) continue;
    squares += sum.Slope() * sum.Slope();
    ++lines;
  }
  return lines > 0 ? std::optional(std::sqrt(squares / lines)) : std::nullopt;
}

}  // namespace conebook::vision
