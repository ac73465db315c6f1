#include "src/flow_average.h"

#include <algorithm>
#include <cmath>

#include "src/mean_noise.h"
namespace conebook::src {
namespace {

constexpr double kLongestLagS = 0.6;
constexpr double kLagStepS = 0.02;
constexpr double kBinS = 0.1;
constexpr double kSettledShare = 5e-4;  // what may be left of the approach where averaging starts
constexpr double kLongestSkip = 0.6;    // share of a point
constexpr double kLeastGain = 12.0;     // by how many noise variances a lag must improve the fit

struct Approach {  // flow = level + step * exp(-(t - t0) / lag)
  double level = 0.0, step = 0.0;
  double u_level = 0.0;
  double residual_ss = 0.0;
};

struct Series {
  std::vector<double> t, q;
};

Series Cut(const std::vector<double>& time_s, const std::vector<double>& flow, const SteadyStretch& stretch) {
  Series series;
  for (std::size_t i = stretch.first; i <= stretch.last; ++i) {
    series.t.push_back(time_s[i] - time_s[stretch.first]);
    series.q.push_back(flow[i]);
  }
  return series;
}

Approach FitApproach(const Series& series, double lag_s) {
  Approach fit;
  const double n = static_cast<double>(series.q.size());
  double e = 0.0, ee = 0.0, q = 0.0, eq = 0.0;
  for (std::size_t i = 0; i < series.q.size(); ++i) {
    const double x = lag_s > 0.0 ? std::exp(-series.t[i] / lag_s) : 0.0;
    e += x;
    ee += x * x;
    q += series.q[i];
    eq += x * series.q[i];
  }
  const double determinant = n * ee - e * e;
  const bool two = lag_s > 0.0 && n >= 4.0 && determinant > 1e-9 * n * n;
  fit.step = two ? (n * eq - e * q) / determinant : 0.0;
  fit.level = (q - fit.step * e) / n;
  for (std::size_t i = 0; i < series.q.size(); ++i) {
    const double x = lag_s > 0.0 ? std::exp(-series.t[i] / lag_s) : 0.0;
    const double residual = series.q[i] - fit.level - fit.step * x;
    fit.residual_ss += residual * residual;
  }
  const double variance = fit.residual_ss / std::max(1.0, n - 2.0);
  fit.u_level = std::sqrt(variance * (two ? ee / determinant : 1.0 / n));
  return fit;
}

// Quantised counts alternate from row to row; over a tenth of a second they hardly do.
Series Binned(const Series& series) {
  Series binned;
  for (std::size_t i = 0; i < series.t.size();) {
    std::size_t end = i;
    double t = 0.0, q = 0.0;
    while (end < series.t.size() && series.t[end] - series.t[i] < kBinS) {
      t += series.t[end];
      q += series.q[end];
      ++end;
    }
    const double n = static_cast<double>(end - i);
    binned.t.push_back(t / n);
    binned.q.push_back(q / n);
    i = end;
  }
  return binned;
}

// One lag for all points: the one with the least residuals, each point in units of its own noise.
double FindLag(const std::vector<Series>& all) {
  if (all.empty()) return 0.0;
  std::vector<double> variance;
  for (const Series& series : all) {
    // Noise from the second half, where any lag has gone.
    Series late;
    for (std::size_t i = series.q.size() / 2; i < series.q.size(); ++i) {
      late.t.push_back(series.t[i]);
      late.q.push_back(series.q[i]);
    }
    const Approach flat = FitApproach(late, 0.0);
    const double n = static_cast<double>(late.q.size());
    variance.push_back(
        std::max(flat.residual_ss / std::max(1.0, n - 1.0), 1e-8 * flat.level * flat.level + 1e-300));
  }
  const auto cost = [&](double lag_s) {
    double sum = 0.0;
    for (std::size_t i = 0; i < all.size(); ++i) sum += FitApproach(all[i], lag_s).residual_ss / variance[i];
    return sum;
  };
  const double none = cost(0.0);
  double best_lag_s = 0.0, best = none;
  for (int step = 1; step * kLagStepS <= kLongestLagS + 1e-9; ++step) {
    const double lag_s = step * kLagStepS;
    const double here = cost(lag_s);
    if (here < best) {
      best = here;
      best_lag_s = lag_s;
    }
  }
  return none - best > kLeastGain + 2.0 * static_cast<double>(all.size()) ? best_lag_s : 0.0;
}

double TrapezoidMean(const Series& series, std::size_t from) {
  if (from + 1 >= series.q.size()) return series.q.back();
  double sum = 0.0;
  for (std::size_t i = from + 1; i < series.q.size(); ++i) {
    sum += 0.5 * (series.q[i] + series.q[i - 1]) * (series.t[i] - series.t[i - 1]);
  }
  return sum / (series.t.back() - series.t[from]);
}

// Both ends of a count fall anywhere within a pulse: two uniform distributions, 1/12 each. What the flow
// itself does meanwhile is counted, and no error of the count.
void PulseStatistics(const Series& series, std::size_t from, FlowAverage& average) {
  average.u_statistics = std::sqrt(2.0 / 12.0) / (series.t.back() - series.t[from]);
}

void RateStatistics(const Series& series, std::size_t from, FlowAverage& average) {
  const MeanNoise noise = NoiseOfMean(series.t, series.q, from, series.q.size() - 1);
  average.u_statistics = noise.u;
  average.dof = noise.dof;
}

}  // namespace

FlowSettling AverageFlow(const std::vector<double>& time_s, const std::vector<double>& flow,
                         bool whole_pulses, const std::vector<SteadyStretch>& stretches) {
  FlowSettling result;
  std::vector<Series> all;
  all.reserve(stretches.size());
  for (const SteadyStretch& stretch : stretches) all.push_back(Cut(time_s, flow, stretch));
  std::vector<Series> binned;
  for (const Series& series : all) binned.push_back(whole_pulses ? Binned(series) : series);
  result.lag_s = FindLag(binned);
  for (std::size_t k = 0; k < all.size(); ++k) {
    const Series& series = all[k];
    const Approach approach = FitApproach(series, result.lag_s);
    const double duration_s = series.t.back();
    double skip_s = 0.0;
    const double settled = kSettledShare * std::abs(approach.level);
    if (result.lag_s > 0.0 && std::abs(approach.step) > settled && settled > 0.0) {
      skip_s = result.lag_s * std::log(std::abs(approach.step) / settled);
    }
    const bool too_short = skip_s > kLongestSkip * duration_s;
    // A step that the noise could have made is no reason to extrapolate.
    const bool step_is_real = std::abs(approach.step) > 3.0 * approach.u_level;
    if (too_short) skip_s = kLongestSkip * duration_s;
    std::size_t from = 0;
    while (from + 2 < series.t.size() && series.t[from] < skip_s - 1e-12) ++from;
    FlowAverage average;
    average.t0_s = time_s[stretches[k].first + from];
    average.mean = TrapezoidMean(series, from);
    if (whole_pulses) {
      PulseStatistics(series, from, average);
    } else {
      RateStatistics(series, from, average);
    }
    if (too_short && step_is_real) {
      average.extrapolated = true;
      average.mean = approach.level;
      // The level leans on the lag's own error: a tenth of what is left where averaging would have started.
      const double left = std::abs(approach.step) * std::exp(-skip_s / result.lag_s);
      average.u_statistics = std::hypot(std::max(average.u_statistics, approach.u_level), 0.1 * left);
    }
    result.points.push_back(average);
  }
  return result;
}

}  // namespace conebook::src
