#include "calib/drop_statistics.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <map>
#include <numeric>
#include <random>
#include <stdexcept>

#include <boost/math/distributions/normal.hpp>
#include <fmt/format.h>

namespace conebook::calib {
namespace {

// Phi at 0.025 and 0.975
constexpr double kZ95 = 1.959963984540054;

double NormalShare(double z) {
  return 0.5 * std::erfc(-z / std::sqrt(2.0));
}

double NormalQuantile(double share) {
  return boost::math::quantile(boost::math::normal_distribution<double>(),
                               std::clamp(share, 1e-12, 1.0 - 1e-12));
}

// Drops above the cut-off in order of size, with the unit that each is drawn with.
struct Sorted {
  std::vector<double> d, w, d2, d3;
  std::vector<int> unit;
  int units = 0;
};

Sorted SortDrops(const DropSample& sample, double cutoff_um) {
  std::vector<std::size_t> order;
  for (std::size_t i = 0; i < sample.diameter_um.size(); ++i)
    if (sample.diameter_um[i] >= cutoff_um) order.push_back(i);
  std::stable_sort(order.begin(), order.end(), [&](std::size_t a, std::size_t b) {
    return sample.diameter_um[a] < sample.diameter_um[b];
  });
  std::map<int, int> unit_of_frame;
  if (!sample.frame.empty())
    for (const std::size_t i : order) unit_of_frame.emplace(sample.frame[i], 0);
  int next = 0;
  for (auto& entry : unit_of_frame) entry.second = next++;
  Sorted s;
  for (const std::size_t i : order) {
    const double d = sample.diameter_um[i];
    s.d.push_back(d);
    s.d2.push_back(d * d);
    s.d3.push_back(d * d * d);
    s.w.push_back(sample.weight.empty() ? 1.0 : sample.weight[i]);
    s.unit.push_back(sample.frame.empty() ? static_cast<int>(s.unit.size())
                                          : unit_of_frame.at(sample.frame[i]));
  }
  s.units = sample.frame.empty() ? static_cast<int>(s.d.size()) : next;
  return s;
}

// What is estimated, in this order everywhere below.
enum Estimand { kD10, kD20, kD30, kD32, kD43, kDn50, kDv10, kDv50, kDv90, kSpan, kEstimands };
using Estimates = std::array<double, kEstimands>;

// Diameters at which the cumulated amount reaches each share (rising), amounts in order of size. `amount` is
// a function of the index.
template <typename Amount, std::size_t N>
std::array<double, N> Percentiles(const std::vector<double>& d, const Amount& amount, double total,
                                  const std::array<double, N>& shares) {
  std::array<double, N> result{};
  std::size_t next = 0;
  double before = 0.0, d_last = 0.0, middle_last = -1.0;
  for (std::size_t i = 0; i < d.size() && next < N; ++i) {
    const double own = amount(i);
    if (own <= 0.0) continue;
    const double middle = (before + 0.5 * own) / total;
    for (; next < N && shares[next] <= middle; ++next)
      result[next] = middle_last < 0.0
                         ? d[i]
                         : d_last + (d[i] - d_last) * (shares[next] - middle_last) / (middle - middle_last);
    before += own;
    d_last = d[i];
    middle_last = middle;
  }
  for (; next < N; ++next) result[next] = d_last;
  return result;
}

Estimates Estimate(const Sorted& s, const std::vector<double>& w) {
  double m0 = 0.0, m1 = 0.0, m2 = 0.0, m3 = 0.0, m4 = 0.0;
  for (std::size_t i = 0; i < w.size(); ++i) {
    m0 += w[i];
    m1 += w[i] * s.d[i];
    m2 += w[i] * s.d2[i];
    m3 += w[i] * s.d3[i];
    m4 += w[i] * s.d2[i] * s.d2[i];
  }
  Estimates e{};
  e[kD10] = m1 / m0;
  e[kD20] = std::sqrt(m2 / m0);
  e[kD30] = std::cbrt(m3 / m0);
  e[kD32] = m3 / m2;
  e[kD43] = m4 / m3;
  e[kDn50] = Percentiles<>(
      s.d, [&](std::size_t i) { return w[i]; }, m0, std::array{0.5})[0];
  const auto volume = Percentiles<>(
      s.d, [&](std::size_t i) { return w[i] * s.d3[i]; }, m3, std::array{0.1, 0.5, 0.9});
  e[kDv10] = volume[0];
  e[kDv50] = volume[1];
  e[kDv90] = volume[2];
  e[kSpan] = (volume[2] - volume[0]) / volume[1];
  return e;
}

// First-order effect of each unit on each percentile, up to a factor: all that the acceleration needs.
std::array<double, kEstimands> Accelerations(const Sorted& s, const Estimates& e) {
  constexpr std::array<std::pair<Estimand, double>, 4> kPercentiles{
      {{kDn50, 0.5}, {kDv10, 0.1}, {kDv50, 0.5}, {kDv90, 0.9}}};
  std::array<double, kEstimands> result{};  // means and span: none
  for (const auto& [k, share] : kPercentiles) {
    std::vector<double> influence(static_cast<std::size_t>(s.units), 0.0);
    for (std::size_t i = 0; i < s.d.size(); ++i)
      influence[static_cast<std::size_t>(s.unit[i])] +=
          s.w[i] * (k == kDn50 ? 1.0 : s.d3[i]) * (share - (s.d[i] <= e[k] ? 1.0 : 0.0));
    double square = 0.0, cube = 0.0;
    for (const double x : influence) {
      square += x * x;
      cube += x * x * x;
    }
    if (square > 0.0) result[k] = cube / (6.0 * std::pow(square, 1.5));
  }
  return result;
}

// Moments of each unit, for the means' own standard errors.
constexpr std::array<std::pair<int, int>, 5> kOrders{
    {{1, 0}, {2, 0}, {3, 0}, {3, 2}, {4, 3}}};  // kD10 .. kD43
using Moments = std::array<double, 5>;

std::vector<Moments> UnitMoments(const Sorted& s) {
  std::vector<Moments> m(static_cast<std::size_t>(s.units), Moments{});
  const double scale = 1.0 / s.d.back();  // no large powers
  for (std::size_t i = 0; i < s.d.size(); ++i) {
    double power = s.w[i];
    for (double& x : m[static_cast<std::size_t>(s.unit[i])]) {
      x += power;
      power *= s.d[i] * scale;
    }
  }
  return m;
}

// Standard error of ln D[p,q], each unit taken so many times.
std::array<double, 5> LogErrors(const std::vector<Moments>& m, const std::vector<double>& times) {
  Moments total{};
  for (std::size_t u = 0; u < m.size(); ++u)
    for (std::size_t p = 0; p < 5; ++p) total[p] += times[u] * m[u][p];
  std::array<double, 5> result{};
  for (std::size_t u = 0; u < m.size(); ++u) {
    if (!(times[u] > 0.0)) continue;
    for (std::size_t k = 0; k < 5; ++k) {
      const auto [p, q] = kOrders[k];
      const double x = m[u][static_cast<std::size_t>(p)] / total[static_cast<std::size_t>(p)] -
                       m[u][static_cast<std::size_t>(q)] / total[static_cast<std::size_t>(q)];
      result[k] += times[u] * x * x / ((p - q) * (p - q));
    }
  }
  for (double& x : result) x = std::sqrt(x);
  return result;
}

double SortedQuantile(const std::vector<double>& sorted, double share) {
  const auto n = static_cast<double>(sorted.size());
  const double at = std::clamp(share * (n + 1.0) - 1.0, 0.0, n - 1.0);
  const auto low = static_cast<std::size_t>(at);
  const std::size_t high = std::min(low + 1, sorted.size() - 1);
  return sorted[low] + (at - static_cast<double>(low)) * (sorted[high] - sorted[low]);
}

DropEstimate IntervalOf(double value, std::vector<double> draws, double acceleration) {
  DropEstimate result;
  result.value = value;
  const auto n = static_cast<double>(draws.size());
  const double mean = std::accumulate(draws.begin(), draws.end(), 0.0) / n;
  double square = 0.0;
  for (const double x : draws) square += (x - mean) * (x - mean);
  result.u = std::sqrt(square / (n - 1.0));
  std::sort(draws.begin(), draws.end());
  const auto below = std::lower_bound(draws.begin(), draws.end(), value) - draws.begin();
  const auto upto = std::upper_bound(draws.begin(), draws.end(), value) - draws.begin();
  const double z0 = NormalQuantile((0.5 * static_cast<double>(below + upto) + 0.5) / (n + 1.0));
  const auto share = [&](double z) {
    const double shifted = z0 + z;
    return NormalShare(z0 + shifted / std::max(0.1, 1.0 - acceleration * shifted));
  };
  result.lo95 = SortedQuantile(draws, share(-kZ95));
  result.hi95 = SortedQuantile(draws, share(kZ95));
  return result;
}

std::array<DropEstimate, kEstimands> Bootstrap(const Sorted& s, const Estimates& e,
                                               const DropStatisticsOptions& options) {
  constexpr double kMostDraws = 2e7;
  const auto affordable = static_cast<int>(kMostDraws / static_cast<double>(s.d.size()));
  const int replicates = std::min(options.replicates, std::max(199, affordable));
  std::mt19937_64 random(options.seed);
  std::vector<std::vector<double>> draws(kEstimands,
                                         std::vector<double>(static_cast<std::size_t>(replicates)));
  std::array<std::vector<double>, 5> student;
  std::vector<double> times(static_cast<std::size_t>(s.units), 1.0), w(s.w.size());
  const std::vector<Moments> moments = UnitMoments(s);
  const auto error = LogErrors(moments, times);
  for (int b = 0; b < replicates; ++b) {
    std::fill(times.begin(), times.end(), 0.0);
    // The high bits scaled: the same draws from every standard library.
    for (int k = 0; k < s.units; ++k)
      times[static_cast<std::size_t>(static_cast<double>(random() >> 11) * 0x1p-53 * s.units)] += 1.0;
    for (std::size_t i = 0; i < w.size(); ++i) w[i] = s.w[i] * times[static_cast<std::size_t>(s.unit[i])];
    const Estimates drawn = Estimate(s, w);
    for (std::size_t k = 0; k < kEstimands; ++k) draws[k][static_cast<std::size_t>(b)] = drawn[k];
    const auto own = LogErrors(moments, times);
    for (std::size_t k = kD10; k <= kD43; ++k)
      if (own[k] > 1e-9) student[k].push_back(std::log(drawn[k] / e[k]) / own[k]);
  }
  const auto acceleration = Accelerations(s, e);
  std::array<DropEstimate, kEstimands> result;
  for (std::size_t k = 0; k < kEstimands; ++k) {
    result[k] = IntervalOf(e[k], std::move(draws[k]), acceleration[k]);
    if (k > kD43 || student[k].size() < 50) continue;
    std::sort(student[k].begin(), student[k].end());
    result[k].lo95 = e[k] * std::exp(-error[k] * SortedQuantile(student[k], 0.975));
    result[k].hi95 = e[k] * std::exp(-error[k] * SortedQuantile(student[k], 0.025));
  }
  return result;
}

DropHistogram HistogramOf(const Sorted& s, int bins_per_decade) {
  DropHistogram h;
  // Edges at whole powers: the same classes for every clip.
  const auto class_of = [&](double d) {
    return static_cast<int>(std::floor(std::log10(d) * bins_per_decade + 1e-9));
  };
  const int first = class_of(s.d.front());
  const int last = class_of(s.d.back());
  for (int k = first; k <= last + 1; ++k)
    h.edge_um.push_back(std::pow(10.0, static_cast<double>(k) / bins_per_decade));
  h.number_share.assign(static_cast<std::size_t>(last - first + 1), 0.0);
  h.volume_share = h.number_share;
  double number = 0.0, volume = 0.0;
  for (std::size_t i = 0; i < s.d.size(); ++i) {
    const auto k = static_cast<std::size_t>(class_of(s.d[i]) - first);
    h.number_share[k] += s.w[i];
    h.volume_share[k] += s.w[i] * s.d3[i];
    number += s.w[i];
    volume += s.w[i] * s.d3[i];
  }
  for (double& x : h.number_share) x /= number;
  for (double& x : h.volume_share) x /= volume;
  return h;
}

void CheckSample(const DropSample& sample) {
  if ((!sample.weight.empty() && sample.weight.size() != sample.diameter_um.size()) ||
      (!sample.frame.empty() && sample.frame.size() != sample.diameter_um.size()))
    throw std::logic_error("drops: diameters, weights and frames differ in number");
  for (const double d : sample.diameter_um)
    if (!(d > 0.0) || !std::isfinite(d)) throw std::logic_error("drops: a diameter is not above zero");
  for (const double w : sample.weight)
    if (!(w > 0.0) || !std::isfinite(w)) throw std::logic_error("drops: a weight is not above zero");
}

}  // namespace

std::optional<double> BorderWeight(double window_width, double window_height, double feret_x, double feret_y,
                                   double largest) {
  if (!(feret_x < window_width) || !(feret_y < window_height)) return std::nullopt;
  const double weight = window_width * window_height / ((window_width - feret_x) * (window_height - feret_y));
  if (!(weight <= largest)) return std::nullopt;
  return weight;
}

std::optional<std::string> DropStatisticsOptions::Problem() const {
  if (!(cutoff_um >= 0.0)) return fmt::format("cutoff_um = {}: must be 0 or above", cutoff_um);
  if (bins_per_decade < 1) return fmt::format("bins_per_decade = {}: must be 1 or above", bins_per_decade);
  if (min_count < 2) return fmt::format("min_count = {}: must be 2 or above", min_count);
  if (replicates < 100) return fmt::format("replicates = {}: must be 100 or above", replicates);
  if (!(relative_error > 0.0)) return fmt::format("relative_error = {}: must be above 0", relative_error);
  return std::nullopt;
}

const char* ReasonOf(NoDropStatistics reason) {
  return reason == NoDropStatistics::kNoDropAboveCutoff ? "no drop above the cut-off"
                                                        : "too few drops above the cut-off";
}

double MasudaIinoyaCount(double sigma_ln, double relative_error, double alpha, double beta, double z) {
  const double c = beta + 0.5 * alpha;
  const double s2 = sigma_ln * sigma_ln;
  return z * z * alpha * alpha * s2 * (2.0 * c * c * s2 + 1.0) / (relative_error * relative_error);
}

double LogNormalCount(double sigma_ln, double relative_error, double p, double q, double z) {
  const double s2 = sigma_ln * sigma_ln;
  const double variance =
      (std::exp(p * p * s2) + std::exp(q * q * s2) - 2.0 * std::exp(p * q * s2)) / ((p - q) * (p - q));
  return z * z * variance / (relative_error * relative_error);
}

double MeanDiameterUm(const std::vector<double>& diameter_um, const std::vector<double>& weight, double p,
                      double q) {
  double over = 0.0, under = 0.0;
  for (std::size_t i = 0; i < diameter_um.size(); ++i) {
    const double d = diameter_um[i];
    const double w = weight.empty() ? 1.0 : weight[i];
    over += w * std::pow(d, p) * (p == q ? std::log(d) : 1.0);
    under += w * std::pow(d, q);
  }
  return p == q ? std::exp(over / under) : std::pow(over / under, 1.0 / (p - q));
}

double ClassPercentileUm(const std::vector<double>& edge_um, const std::vector<double>& amount,
                         double share) {
  if (amount.empty() || edge_um.size() != amount.size() + 1)
    throw std::logic_error("ClassPercentileUm: one edge more than classes");
  const double wanted = share * std::accumulate(amount.begin(), amount.end(), 0.0);
  double before = 0.0;
  for (std::size_t i = 0; i < amount.size(); ++i) {
    if (amount[i] > 0.0 && before + amount[i] >= wanted)
      return edge_um[i] + (edge_um[i + 1] - edge_um[i]) * (wanted - before) / amount[i];
    before += amount[i];
  }
  return edge_um.back();
}

std::variant<DropStatistics, NoDropStatistics> Summarise(const DropSample& sample,
                                                         const DropStatisticsOptions& options) {
  if (const auto problem = options.Problem()) throw std::logic_error(*problem);
  CheckSample(sample);
  const Sorted s = SortDrops(sample, options.cutoff_um);
  if (s.d.empty()) return NoDropStatistics::kNoDropAboveCutoff;
  const int count = static_cast<int>(s.d.size());
  if (count < options.min_count) return NoDropStatistics::kTooFewDrops;

  DropStatistics r;
  r.count = count;
  r.below_cutoff = static_cast<int>(sample.diameter_um.size()) - count;
  r.cutoff_um = options.cutoff_um;
  const auto e = Bootstrap(s, Estimate(s, s.w), options);
  r.d10_um = e[kD10];
  r.d20_um = e[kD20];
  r.d30_um = e[kD30];
  r.d32_um = e[kD32];
  r.d43_um = e[kD43];
  r.dn50_um = e[kDn50];
  r.dv10_um = e[kDv10];
  r.dv50_um = e[kDv50];
  r.dv90_um = e[kDv90];
  r.span = e[kSpan];
  r.histogram = HistogramOf(s, options.bins_per_decade);
  r.log_normal = FitLogNormal(sample, options.cutoff_um);
  r.rosin_rammler = FitRosinRammler(sample, options.cutoff_um);

  double w1 = 0.0, w2 = 0.0, volume = 0.0, area = 0.0;
  for (std::size_t i = 0; i < s.d.size(); ++i) {
    w1 += s.w[i];
    w2 += s.w[i] * s.w[i];
    volume += s.w[i] * s.d3[i];
    area += s.w[i] * s.d2[i];
  }
  r.sample_size.effective_count = w1 * w1 / w2;
  r.sample_size.relative_error = options.relative_error;
  if (r.log_normal) {
    r.sample_size.needed = MasudaIinoyaCount(r.log_normal->sigma_ln, options.relative_error);
    r.sample_size.needed_for_d32 = LogNormalCount(r.log_normal->sigma_ln, options.relative_error, 3.0, 2.0);
    r.sample_size.verdict = r.sample_size.effective_count >= r.sample_size.needed ? SampleVerdict::kEnough
                                                                                  : SampleVerdict::kTooFew;
  }
  r.smallest_um = s.d.front();
  r.largest_um = s.d.back();
  const double largest_volume = s.w.back() * s.d3.back();
  r.largest_volume_share = largest_volume / volume;
  r.d32_without_largest_um = (volume - largest_volume) / (area - s.w.back() * s.d2.back());
  return r;
}

}  // namespace conebook::calib
