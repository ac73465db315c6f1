#include "vision/statistics.h"

#include <algorithm>
#include <cmath>

namespace conebook::vision {
namespace {

template <typename T>
T Median(std::span<T> values) {
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  if (values.size() % 2 == 1) return *middle;
  const T below = *std::max_element(values.begin(), middle);
  return (below + *middle) / T(2);
}

std::optional<Line> FitLine(std::span<const double> x, std::span<const double> y,
                            const std::vector<char>& use) {
  double n = 0.0;
  double mx = 0.0;
  double my = 0.0;
  for (std::size_t i = 0; i < x.size(); ++i) {
    if (!use[i]) continue;
    n += 1.0;
    mx += x[i];
    my += y[i];
  }
  if (n < 2.0) return std::nullopt;
  mx /= n;
  my /= n;
  double sxx = 0.0;
  double sxy = 0.0;
  for (std::size_t i = 0; i < x.size(); ++i) {
    if (!use[i]) continue;
    sxx += (x[i] - mx) * (x[i] - mx);
    sxy += (x[i] - mx) * (y[i] - my);
  }
  if (!(sxx > 0.0)) return std::nullopt;
  Line line;
  line.slope = sxy / sxx;
  line.intercept = my - line.slope * mx;
  double rss = 0.0;
  for (std::size_t i = 0; i < x.size(); ++i) {
    if (use[i]) rss += (y[i] - line.Y(x[i])) * (y[i] - line.Y(x[i]));
  }
  line.points = static_cast<int>(n);
  line.residual_sd = n > 2.0 ? std::sqrt(rss / (n - 2.0)) : 0.0;
  return line;
}

}  // namespace

double MedianInPlace(std::span<double> values) {
  return Median(values);
}
float MedianInPlace(std::span<float> values) {
  return Median(values);
}

double QuantileInPlace(std::span<double> values, double q) {
  const double at = q * static_cast<double>(values.size() - 1);
  const auto low = static_cast<std::size_t>(std::floor(at));
  const auto it = values.begin() + static_cast<std::ptrdiff_t>(low);
  std::nth_element(values.begin(), it, values.end());
  const double a = *it;
  if (low + 1 >= values.size()) return a;
  const double b = *std::min_element(it + 1, values.end());
  return a + (at - static_cast<double>(low)) * (b - a);
}

double RobustSpread(std::vector<double> values) {
  if (values.empty()) return 0.0;
  const double centre = MedianInPlace(values);
  for (double& v : values) v = std::abs(v - centre);
  return 1.4826 * MedianInPlace(values);
}

std::optional<double> UncertaintyOfMean(std::span<const double> values) {
  if (values.size() < 4) return std::nullopt;
  const auto n = static_cast<double>(values.size());
  double mean = 0.0;
  for (const double v : values) mean += v / n;
  double squares = 0.0;
  for (const double v : values) squares += (v - mean) * (v - mean);
  return std::sqrt(squares / (n - 3.0) / n);
}

std::vector<Block> ContiguousBlocks(std::size_t count, int most, int least) {
  const std::size_t blocks =
      std::min(static_cast<std::size_t>(most), count / static_cast<std::size_t>(least));
  std::vector<Block> all;
  for (std::size_t b = 0; b < blocks; ++b) all.push_back({b * count / blocks, (b + 1) * count / blocks});
  return all;
}

std::vector<std::size_t> EvenIndices(std::size_t count, std::size_t most) {
  std::vector<std::size_t> picked;
  for (std::size_t k = 0; k < most; ++k) {
    const std::size_t index = (2 * k + 1) * count / (2 * most);
    if (index < count && (picked.empty() || index > picked.back())) picked.push_back(index);
  }
  return picked;
}

double EffectiveSampleSize(std::span<const double> series) {
  const auto n = series.size();
  if (n < 4) return static_cast<double>(n);
  double mean = 0.0;
  for (double v : series) mean += v;
  mean /= static_cast<double>(n);
  double c0 = 0.0;
  for (double v : series) c0 += (v - mean) * (v - mean);
  if (!(c0 > 0.0)) return static_cast<double>(n);
  const auto rho = [&](std::size_t lag) {
    double sum = 0.0;
    for (std::size_t i = 0; i + lag < n; ++i) sum += (series[i] - mean) * (series[i + lag] - mean);
    return sum / c0;
  };
  double sum = 0.0;
  for (std::size_t lag = 1; lag + 1 < n / 2; lag += 2) {
    const double pair = rho(lag) + rho(lag + 1);
    if (pair <= 0.0) break;
    sum += pair;
  }
  return std::clamp(static_cast<double>(n) / (1.0 + 2.0 * sum), 1.0, static_cast<double>(n));
}

namespace {

struct RobustFit {
  Line line;
  std::vector<char> use;
};

std::optional<RobustFit> FitRobust(std::span<const double> x, std::span<const double> y,
                                   const RobustLineOptions& options) {
  if (x.size() != y.size() || static_cast<int>(x.size()) < options.min_points) return std::nullopt;
  std::vector<char> use(x.size(), 1);
  std::optional<Line> line;
  {
    // Repeated medians (Siegel 1982; from memory) over an even pick of the points: a least-squares start can
    // be carried off by one end.
    constexpr std::size_t kMostStart = 64;
    const std::size_t step = std::max<std::size_t>(1, x.size() / kMostStart);
    std::vector<double> medians;
    std::vector<double> slopes;
    for (std::size_t i = 0; i < x.size(); i += step) {
      slopes.clear();
      for (std::size_t j = 0; j < x.size(); j += step) {
        if (x[j] != x[i]) slopes.push_back((y[j] - y[i]) / (x[j] - x[i]));
      }
      if (!slopes.empty()) medians.push_back(MedianInPlace(slopes));
    }
    if (medians.empty()) return std::nullopt;
    Line start;
    start.slope = MedianInPlace(medians);
    std::vector<double> levels(x.size());
    for (std::size_t i = 0; i < x.size(); ++i) levels[i] = y[i] - start.slope * x[i];
    start.intercept = MedianInPlace(levels);
    line = start;
  }
  for (int pass = 0; pass < 20; ++pass) {
    std::vector<double> residuals(x.size());
    for (std::size_t i = 0; i < x.size(); ++i) residuals[i] = std::abs(y[i] - line->Y(x[i]));
    std::vector<double> sorted = residuals;
    const double spread = 1.4826 * MedianInPlace(sorted);
    const double cut = std::max(options.cut_spreads * spread, options.floor);
    std::vector<char> now(x.size());
    for (std::size_t i = 0; i < x.size(); ++i) now[i] = residuals[i] <= cut ? 1 : 0;
    if (pass > 0 && now == use) break;
    use = now;
    const std::optional<Line> fitted = FitLine(x, y, use);
    if (!fitted || fitted->points < options.min_points) return std::nullopt;
    line = fitted;
  }
  return RobustFit{*line, std::move(use)};
}

}  // namespace

std::optional<Line> FitRobustLine(std::span<const double> x, std::span<const double> y,
                                  const RobustLineOptions& options) {
  const std::optional<RobustFit> fit = FitRobust(x, y, options);
  return fit ? std::optional<Line>(fit->line) : std::nullopt;
}

std::optional<Line> FitRobustLineOfBent(std::span<const double> x, std::span<const double> y,
                                        std::span<const double> bend, const RobustLineOptions& options) {
  std::vector<double> unbent;
  for (std::size_t i = 0; i < y.size(); ++i) unbent.push_back(y[i] - bend[i]);
  const std::optional<RobustFit> fit = FitRobust(x, unbent, options);
  return fit ? FitLine(x, y, fit->use) : std::nullopt;
}

}  // namespace conebook::vision
