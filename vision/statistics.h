// Robust statistics of the measuring steps. All throw nothing; an empty input gives nothing.
#pragma once

#include <optional>
#include <span>
#include <vector>

namespace conebook::vision {

// Reorders its argument.
double MedianInPlace(std::span<double> values);  // at least one value
float MedianInPlace(std::span<float> values);    // at least one value; mean of the middle two

// q in [0, 1], linear between order statistics. Reorders its argument; at least one value.
double QuantileInPlace(std::span<double> values, double q);

// 1.4826 times the median absolute deviation from the median.
double RobustSpread(std::vector<double> values);

// Standard uncertainty of the mean of few values: s / sqrt(n), times sqrt((n - 1) / (n - 3)) for what so few
// say of their scatter (JCGM 101:2008, 6.4.9.4: the scaled t distribution). Nothing below four values.
std::optional<double> UncertaintyOfMean(std::span<const double> values);

// `count` things in a row as at most `most` blocks of neighbours, of about one size, none below `least`:
// [first, past the last). Nothing where there are fewer than `least`.
struct Block {
  std::size_t first = 0, last = 0;
};
std::vector<Block> ContiguousBlocks(std::size_t count, int most, int least);

// At most `most` of `count` indices, rising, each from the middle of its share; all where there are no more.
std::vector<std::size_t> EvenIndices(std::size_t count, std::size_t most);

// Effective number of independent values in a time series: n / (1 + 2 sum of autocorrelation), summed up to
// the first lag where a pair of neighbouring lags turns negative (Geyer 1992, initial positive sequence; from
// memory). Between 1 and n.
double EffectiveSampleSize(std::span<const double> series);

// Straight line y = intercept + slope * x, robust against the odd point: least squares, then points farther
// than max(cut_spreads robust spreads, floor) are left out, repeated until the set stands still.
struct Line {
  double intercept = 0.0;
  double slope = 0.0;
  double residual_sd = 0.0;  // of the points kept
  int points = 0;
  double Y(double x) const { return intercept + slope * x; }
};
struct RobustLineOptions {
  double cut_spreads = 3.0;
  double floor = 0.0;
  int min_points = 8;
};
std::optional<Line> FitRobustLine(std::span<const double> x, std::span<const double> y,
                                  const RobustLineOptions& options);
// Through points that bend by nature: which of them are odd is judged on y - bend, the line is that of the
// others' y.
std::optional<Line> FitRobustLineOfBent(std::span<const double> x, std::span<const double> y,
                                        std::span<const double> bend, const RobustLineOptions& options);

}  // namespace conebook::vision
