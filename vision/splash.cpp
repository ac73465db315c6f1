#include "vision/splash.h"

#include <algorithm>
#include <cmath>

#include <opencv2/imgproc.hpp>

#include "vision/scene.h"
#include "vision/statistics.h"

namespace conebook::vision {
namespace {

constexpr int kStep = 3;  // places looked at, along rows and columns

// Spread in time of every kStep-th place, frames brought to the background's level.
cv::Mat1f SpreadInTime(const std::vector<LumaFrame>& sample, const ClipModel& model,
                       std::size_t most_frames) {
  const std::size_t stride = std::max<std::size_t>(1, (sample.size() + most_frames - 1) / most_frames);
  const cv::Size size(model.reading.width_px / kStep, model.reading.height_px / kStep);
  cv::Mat1f sum(size, 0.0F);
  cv::Mat1f square(size, 0.0F);
  cv::Mat1f places;
  double frames = 0.0;
  for (std::size_t k = 0; k < sample.size(); k += stride) {
    const cv::Mat1f image = LightImage(model, sample[k]);
    const cv::Mat1f whole = image(cv::Rect(0, 0, size.width * kStep, size.height * kStep));
    cv::resize(whole, places, size, 0.0, 0.0, cv::INTER_NEAREST);
    places /= SampleGain(image, model);
    cv::accumulate(places, sum);
    cv::accumulateSquare(places, square);
    frames += 1.0;
  }
  sum /= frames;
  square /= frames;
  for (int y = 0; y < size.height; ++y) {
    for (int x = 0; x < size.width; ++x)
      square(y, x) = std::sqrt(std::max(0.0F, square(y, x) - sum(y, x) * sum(y, x)));
  }
  return square;
}

struct RowChange {
  double beside = 0.0, in = 0.0;  // medians
};

}  // namespace

std::optional<int> FindSplash(const std::vector<LumaFrame>& sample, const ClipModel& model,
                              const SplashOptions& options) {
  constexpr std::size_t kFewestFrames = 6;
  if (sample.size() < kFewestFrames) return std::nullopt;
  const cv::Mat1f spread = SpreadInTime(sample, model, options.most_frames);
  // From the exit down, as far as the picture shows something beside the cone; what foams there is taken to
  // go on below.
  std::vector<RowChange> rows;
  const int first = model.first_row / kStep + 1;
  for (int i = first; i < spread.rows; ++i) {
    const double y = i * kStep;
    const double axis = model.AxisX(y);
    const double dy = y - model.exit_px.y;
    const double left = model.guess[kLeftSide].X(dy);
    const double right = model.guess[kRightSide].X(dy);
    std::vector<double> beside;
    std::vector<double> in;
    for (int j = 0; j < spread.cols; ++j) {
      const double x = j * kStep;
      const double value = static_cast<double>(spread(i, j));
      if (x > left && x < right)
        in.push_back(value);
      else if (x < axis - options.beside * (axis - left) - options.beside_px ||
               x > axis + options.beside * (right - axis) + options.beside_px)
        beside.push_back(value);
    }
    if (in.empty() || static_cast<double>(beside.size()) < options.least_beside_part * spread.cols) break;
    rows.push_back({MedianInPlace(beside), MedianInPlace(in)});
  }
  if (rows.size() < 8) return std::nullopt;
  std::vector<double> still;
  for (const RowChange& row : rows) still.push_back(row.beside);
  const double rest = QuantileInPlace(still, 0.25);
  const auto foams = [&](const RowChange& row) {
    return row.beside > options.least_of_rest * rest &&
           row.beside - rest > options.least_of_spray * (row.in - rest);
  };
  std::size_t top = rows.size();
  while (top > 0 && foams(rows[top - 1])) --top;
  const auto n = static_cast<double>(rows.size() - top);
  if (n * kStep < options.least_rows * model.reading.height_px) return std::nullopt;
  if (n > options.most_rows * static_cast<double>(rows.size())) return std::nullopt;
  return (first + static_cast<int>(top)) * kStep - kStep;
}

}  // namespace conebook::vision
