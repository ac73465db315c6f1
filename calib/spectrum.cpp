#include "calib/spectrum.h"

#include <algorithm>
#include <cmath>
#include <complex>
#include <limits>
#include <numbers>
#include <stdexcept>

#include <Eigen/Cholesky>
#include <Eigen/Core>
#include <fmt/format.h>
#include <unsupported/Eigen/FFT>

#include "calib/autoregression.h"

namespace conebook::calib {
namespace {

constexpr double kTwoPi = 2.0 * std::numbers::pi;
// Frequencies tried per 1 / duration, at least: between two a line loses 5 % of its power at most.
constexpr int kFiner = 4;
// Neighbours, both sides together, that a line must stand out of.
constexpr int kNeighbours = 16;
// Values that one order of the background costs. Set by counting: with 1 a hump in 60 frames passed for a
// line twice as often as stated; from 150 frames on it hardly matters.
constexpr double kValuesPerOrder = 3.0;

struct Even {
  std::vector<double> value;  // on the grid, gaps filled straight
  double interval_s = 0.0;
  int lost = 0;
};

// Places each value at its whole number of intervals from the first.
std::variant<Even, NoSpectrum> OnGrid(const Series& series, const SpectrumOptions& options) {
  const std::size_t n = series.t_s.size();
  std::vector<double> steps;
  for (std::size_t i = 1; i < n; ++i) steps.push_back(series.t_s[i] - series.t_s[i - 1]);
  std::nth_element(steps.begin(), steps.begin() + static_cast<std::ptrdiff_t>(steps.size() / 2), steps.end());
  double interval = steps[steps.size() / 2];
  std::vector<long> place(n, 0);
  for (int pass = 0; pass < 3; ++pass) {
    // Whole steps from value to value, then the interval that fits them all best.
    for (std::size_t i = 1; i < n; ++i)
      place[i] = place[i - 1] + std::max(1L, std::lround((series.t_s[i] - series.t_s[i - 1]) / interval));
    double mean_t = 0.0, mean_k = 0.0, over = 0.0, under = 0.0;
    for (std::size_t i = 0; i < n; ++i) {
      mean_t += series.t_s[i] / static_cast<double>(n);
      mean_k += static_cast<double>(place[i]) / static_cast<double>(n);
    }
    for (std::size_t i = 0; i < n; ++i) {
      over += (static_cast<double>(place[i]) - mean_k) * (series.t_s[i] - mean_t);
      under += (static_cast<double>(place[i]) - mean_k) * (static_cast<double>(place[i]) - mean_k);
    }
    interval = over / under;
  }
  double off = 0.0, off_squared = 0.0;
  for (std::size_t i = 0; i < n; ++i) {
    const double d = series.t_s[i] - series.t_s[0] - static_cast<double>(place[i]) * interval;
    off += d / static_cast<double>(n);
    off_squared += d * d / static_cast<double>(n);
  }
  if (!(std::sqrt(std::max(0.0, off_squared - off * off)) <= options.max_jitter * interval))
    return NoSpectrum::kTimesNotEven;
  const auto cells = static_cast<std::size_t>(place.back() + 1);
  const std::size_t lost = cells - n;
  if (static_cast<double>(lost) > options.max_lost * static_cast<double>(cells))
    return NoSpectrum::kTooManyLost;
  Even even;
  even.interval_s = interval;
  even.lost = static_cast<int>(lost);
  even.value.resize(cells);
  for (std::size_t i = 0; i + 1 < n; ++i)
    for (long k = place[i]; k < place[i + 1]; ++k) {
      const double share = static_cast<double>(k - place[i]) / static_cast<double>(place[i + 1] - place[i]);
      even.value[static_cast<std::size_t>(k)] =
          series.value[i] + share * (series.value[i + 1] - series.value[i]);
    }
  even.value.back() = series.value.back();
  return even;
}

std::vector<double> WithoutTrend(const std::vector<double>& x) {
  const auto n = static_cast<double>(x.size());
  const double middle = 0.5 * (n - 1.0);
  double mean = 0.0, over = 0.0;
  for (std::size_t i = 0; i < x.size(); ++i) {
    mean += x[i] / n;
    over += (static_cast<double>(i) - middle) * x[i];
  }
  const double slope = over / (n * (n * n - 1.0) / 12.0);
  std::vector<double> result(x.size());
  for (std::size_t i = 0; i < x.size(); ++i)
    result[i] = x[i] - mean - slope * (static_cast<double>(i) - middle);
  return result;
}

// Record length over the effective number of values: initial positive sequence (Geyer 1992, from memory).
double EffectiveValues(const std::vector<double>& x) {
  const std::size_t n = x.size();
  const auto covariance = [&](std::size_t lag) {
    double sum = 0.0;
    for (std::size_t i = lag; i < n; ++i) sum += x[i] * x[i - lag];
    return sum;
  };
  const double zero = covariance(0);
  double sum = covariance(1) / zero;  // the pair of lags 0 and 1 always counts
  for (std::size_t lag = 2; lag + 1 < n / 2; lag += 2) {
    const double pair = (covariance(lag) + covariance(lag + 1)) / zero;
    if (!(pair > 0.0)) break;
    sum += pair;
  }
  return std::clamp(static_cast<double>(n) / std::max(1.0 + 2.0 * sum, 1e-9), 1.0, static_cast<double>(n));
}

std::vector<std::complex<double>> Transform(const std::vector<double>& values) {
  Eigen::FFT<double> fft;
  std::vector<std::complex<double>> result;
  fft.fwd(result, values);
  return result;
}

// The largest even number up to `most` without prime factors above 5: short to transform.
std::size_t SmoothLength(std::size_t most) {
  for (std::size_t m = most - most % 2; m > 16; m -= 2) {
    std::size_t rest = m;
    for (const std::size_t prime : {2U, 3U, 5U})
      while (rest % prime == 0) rest /= prime;
    if (rest == 1) return m;
  }
  return 16;
}

double MeanSquare(const std::vector<double>& values) {
  double sum = 0.0;
  for (const double v : values) sum += v * v;
  return sum / static_cast<double>(values.size());
}

// A sine, a cosine and a level, least squares at any times.
struct Sine {
  double share = 0.0;  // of the values' scatter that it takes
  double cosine = 0.0, sine = 0.0, level = 0.0;
};

template <typename TimeOf>
Sine FitSine(const std::vector<double>& x, const TimeOf& time_of, double hz) {
  double c = 0.0, s = 0.0, cc = 0.0, ss = 0.0, cs = 0.0, y = 0.0, yc = 0.0, ys = 0.0, yy = 0.0;
  for (std::size_t i = 0; i < x.size(); ++i) {
    const double phase = kTwoPi * hz * time_of(i);
    const double co = std::cos(phase);
    const double si = std::sin(phase);
    c += co;
    s += si;
    cc += co * co;
    ss += si * si;
    cs += co * si;
    y += x[i];
    yc += x[i] * co;
    ys += x[i] * si;
    yy += x[i] * x[i];
  }
  const auto n = static_cast<double>(x.size());
  Eigen::Matrix3d m;
  m << n, c, s, c, cc, cs, s, cs, ss;
  const Eigen::Vector3d b(y, yc, ys);
  const Eigen::Vector3d z = m.ldlt().solve(b);
  const double around = yy - y * y / n;
  Sine fit{0.0, z[1], z[2], z[0]};
  if (around > 0.0) fit.share = std::clamp((z.dot(b) - y * y / n) / around, 0.0, 1.0);
  return fit;
}

// Frequency in cycles an interval, low to high, at which a sine takes most of the scatter.
struct Best {
  double cycles = 0.0, share = 0.0;
};

Best Strongest(const std::vector<double>& x, double low, double high) {
  const auto at = [](std::size_t i) { return static_cast<double>(i); };
  const auto n = static_cast<double>(x.size());
  // First on a fine grid by a transform of the values and noughts after them; then by least squares about the
  // best.
  std::size_t padded = 1;
  while (padded < kFiner * x.size()) padded *= 2;
  const double step = 1.0 / static_cast<double>(padded);
  double mean = 0.0;
  for (const double v : x) mean += v / n;
  std::vector<double> values(padded, 0.0);
  for (std::size_t i = 0; i < x.size(); ++i) values[i] = x[i] - mean;
  const std::vector<std::complex<double>> sums = Transform(values);
  Best best{low, -1.0};
  for (auto k = static_cast<std::size_t>(std::ceil(low / step)); static_cast<double>(k) * step <= high; ++k)
    if (std::norm(sums[k]) > best.share) best = {static_cast<double>(k) * step, std::norm(sums[k])};
  double lo = std::max(low, best.cycles - step), hi = std::min(high, best.cycles + step);
  for (int i = 0; i < 30; ++i) {
    const double third = (hi - lo) / 3.0;
    if (FitSine(x, at, lo + third).share > FitSine(x, at, hi - third).share)
      hi -= third;
    else
      lo += third;
  }
  best.cycles = 0.5 * (lo + hi);
  best.share = FitSine(x, at, best.cycles).share;
  return best;
}

// Chance that some frequency of a band this many bins wide stands this many times above the mean of its
// neighbours. A periodogram's values scatter as exponentials, so the quotient of one and the mean of k others
// is F of 2 and 2 k.
double LocalChance(double above, int neighbours, double bins) {
  const double ln_one = -neighbours * std::log1p(above / neighbours);
  const double crossings = bins * std::sqrt(std::numbers::pi / 3.0 * (1.0 - ln_one)) * std::exp(ln_one);
  return std::clamp(-std::expm1(-crossings), 0.0, 1.0);
}

double LocalFalseAlarm(const std::vector<double>& fresh, double cycles, double bins) {
  const auto n = static_cast<double>(fresh.size());
  const auto power = [&](double f) {
    std::complex<double> sum = 0.0, phase = 1.0;
    const std::complex<double> turn = std::polar(1.0, -kTwoPi * f);
    for (const double v : fresh) {
      sum += v * phase;
      phase *= turn;
    }
    return std::norm(sum);
  };
  // A whole number of bins away a pure sine has nothing; the nearest ones share the peak that was picked.
  double sum = 0.0;
  int neighbours = 0;
  for (int k = 2; k <= kNeighbours / 2 + 1; ++k)
    for (const double f : {cycles - k / n, cycles + k / n}) {
      if (f < 0.5 / n || f > 0.5 - 0.5 / n) continue;
      sum += power(f);
      ++neighbours;
    }
  if (neighbours < kNeighbours / 4) return 1.0;
  return LocalChance(power(cycles) / (sum / neighbours), neighbours, bins);
}

std::vector<double> WithoutSine(const std::vector<double>& x, double cycles) {
  const Sine sine = FitSine(
      x, [](std::size_t i) { return static_cast<double>(i); }, cycles);
  std::vector<double> rest = x;
  for (std::size_t i = 0; i < x.size(); ++i) {
    const double phase = kTwoPi * cycles * static_cast<double>(i);
    rest[i] -= sine.cosine * std::cos(phase) + sine.sine * std::sin(phase);
  }
  return rest;
}

void Welch(const std::vector<double>& x, double interval_s, int segments, Spectrum& result) {
  // With half overlap, k segments of length m need (k + 1) m / 2 values.
  const std::size_t m = SmoothLength(
      std::clamp<std::size_t>(2 * x.size() / static_cast<std::size_t>(segments + 1), 16, x.size()));
  std::vector<double> window(m);
  double squares = 0.0;
  for (std::size_t i = 0; i < m; ++i) {
    window[i] = 0.5 - 0.5 * std::cos(kTwoPi * (static_cast<double>(i) + 0.5) / static_cast<double>(m));
    squares += window[i] * window[i];
  }
  const std::size_t hop = std::max<std::size_t>(1, m / 2);
  const std::size_t bins = m / 2;
  result.density.assign(bins, 0.0);
  int used = 0;
  std::vector<double> part(m);
  for (std::size_t first = 0; first + m <= x.size(); first += hop, ++used) {
    double mean = 0.0;
    for (std::size_t i = 0; i < m; ++i) mean += x[first + i] / static_cast<double>(m);
    for (std::size_t i = 0; i < m; ++i) part[i] = (x[first + i] - mean) * window[i];
    const std::vector<std::complex<double>> sums = Transform(part);
    for (std::size_t k = 1; k <= bins; ++k)
      result.density[k - 1] += (2 * k == m ? 1.0 : 2.0) * std::norm(sums[k]) * interval_s / squares;
  }
  for (std::size_t k = 1; k <= bins; ++k) {
    result.hz.push_back(static_cast<double>(k) / (static_cast<double>(m) * interval_s));
    result.density[k - 1] /= used;
  }
  result.welch_resolution_hz = 1.0 / (static_cast<double>(m) * interval_s);
  // Half-overlapped Hann segments share 1/36 of each other's power (Welch 1967; Hann's figure derived).
  const double k = used;
  result.welch_dof = 2.0 * k / (1.0 + 2.0 * (1.0 - 1.0 / k) / 36.0);
}

// Amplitude of a sine at a quarter of the frame rate, in white noise of variance 1, that is found nine times
// in ten. The background takes part of it for a hump: an autoregression of the order that the criterion would
// choose for the sum, by Levinson's recursion on its autocovariance.
double DetectableInUnitNoise(double false_alarm, double values, int max_order, double band_hz,
                             double duration_s) {
  const auto found = [&](double amplitude) {
    const auto covariance = [&](int lag) {
      return (lag == 0 ? 1.0 : 0.0) + 0.5 * amplitude * amplitude * std::cos(0.5 * std::numbers::pi * lag);
    };
    std::vector<double> a, variance{covariance(0)};
    double least = values * std::log(variance[0]);
    int chosen = 0;
    for (int order = 1; order <= max_order; ++order) {
      double k = covariance(order);
      for (int j = 0; j < order - 1; ++j) k -= a[static_cast<std::size_t>(j)] * covariance(order - 1 - j);
      k /= variance.back();
      std::vector<double> next = a;
      for (int j = 0; j < order - 1; ++j)
        next[static_cast<std::size_t>(j)] -= k * a[static_cast<std::size_t>(order - 2 - j)];
      next.push_back(k);
      a = next;
      variance.push_back(variance.back() * (1.0 - k * k));
      const double criterion = values * std::log(variance.back()) + std::log(values) * order;
      if (criterion < least) {
        least = criterion;
        chosen = order;
      }
    }
    // One record's criterion often goes a few orders further than that of the expectation.
    const int order = std::min(chosen + 3, max_order);
    return FalseAlarmProbability(1.0 - 1.0 / variance[static_cast<std::size_t>(order)],
                                 values - kValuesPerOrder * order - 1.0, band_hz, duration_s) < false_alarm;
  };
  double lo = 0.0, hi = 1.0;
  while (!found(hi) && hi < 1e3) hi *= 2.0;
  for (int i = 0; i < 50; ++i) {
    const double middle = 0.5 * (lo + hi);
    (found(middle) ? hi : lo) = middle;
  }
  // Against the neighbours: a sine of amplitude A stands A^2 values / 4 above them.
  double low_above = 0.0, above = 1e3;
  for (int i = 0; i < 50; ++i) {
    const double middle = 0.5 * (low_above + above);
    (LocalChance(middle, kNeighbours, band_hz * duration_s) < false_alarm ? above : low_above) = middle;
  }
  const double amplitude = std::max(hi, std::sqrt(4.0 * above / values));
  // Its own scatter, and that of the neighbours' mean; each of the two conditions met nineteen times in
  // twenty.
  return amplitude +
         1.6449 * std::hypot(std::sqrt(2.0 / values), 0.5 * amplitude / std::sqrt(double{kNeighbours}));
}

}  // namespace

std::optional<std::string> SpectrumOptions::Problem() const {
  if (!(false_alarm > 0.0 && false_alarm < 1.0))
    return fmt::format("false_alarm = {}: must lie between 0 and 1", false_alarm);
  if (!(min_cycles >= 1.0)) return fmt::format("min_cycles = {}: must be 1 or above", min_cycles);
  if (min_values < 24) return fmt::format("min_values = {}: must be 24 or above", min_values);
  if (!(max_lost >= 0.0 && max_lost < 0.5))
    return fmt::format("max_lost = {}: must lie between 0 and 0.5", max_lost);
  if (!(max_jitter >= 0.0 && max_jitter < 0.5))
    return fmt::format("max_jitter = {}: must lie between 0 and 0.5", max_jitter);
  if (segments < 1) return fmt::format("segments = {}: must be 1 or above", segments);
  if (max_order < 0) return fmt::format("max_order = {}: must be 0 or above", max_order);
  return std::nullopt;
}

const char* ReasonOf(NoSpectrum reason) {
  switch (reason) {
    case NoSpectrum::kTooFewValues:
      return "too few frames for a spectrum";
    case NoSpectrum::kTimesNotEven:
      return "the frames do not come at an even rate";
    case NoSpectrum::kTooManyLost:
      return "too many frames are missing";
    case NoSpectrum::kNoScatter:
      return "the values do not change";
  }
  return "";
}

double FalseAlarmProbability(double share_of_variance, double values, double band_hz, double duration_s) {
  const double r = std::clamp(share_of_variance, 0.0, 1.0);
  const double degrees = values - 1.0;  // the mean is out
  if (!(degrees > 4.0)) return 1.0;
  const double z = 0.5 * degrees * r;
  const double width =
      band_hz * duration_s * std::sqrt(std::numbers::pi / 3.0);  // sqrt(4 pi var t), even times
  const double rest = std::log1p(-std::min(r, 1.0 - 1e-15));
  const double one = std::exp(0.5 * (degrees - 2.0) * rest);
  const double crossings = width * std::exp(0.5 * (degrees - 3.0) * rest) * std::sqrt(z) *
                           std::exp(std::lgamma(0.5 * degrees) - std::lgamma(0.5 * (degrees - 1.0))) *
                           std::sqrt(2.0 / degrees);
  return std::clamp(-std::expm1(std::log1p(-std::min(one, 1.0 - 1e-15)) - crossings), 0.0, 1.0);
}

std::vector<double> ValuesOf(const Line& line, const Series& series) {
  std::vector<double> values;
  for (const double t : series.t_s)
    values.push_back(line.amplitude * std::cos(kTwoPi * line.hz * (t - series.t_s.front()) - line.phase_rad));
  return values;
}

std::vector<double> AliasesHz(double hz, double rate_hz, double highest_hz) {
  std::vector<double> result;
  for (int k = 0; k * rate_hz - hz <= highest_hz; ++k) {
    if (k > 0 && hz > 0.0 && 2.0 * hz < rate_hz) result.push_back(k * rate_hz - hz);
    if (k * rate_hz + hz <= highest_hz) result.push_back(k * rate_hz + hz);
  }
  return result;
}

double ExposureFactor(double hz, double exposure_s) {
  const double x = std::numbers::pi * hz * exposure_s;
  return x == 0.0 ? 1.0 : std::abs(std::sin(x) / x);
}

std::variant<Spectrum, NoSpectrum> Analyse(const Series& series, const SpectrumOptions& options) {
  if (const auto problem = options.Problem()) throw std::logic_error(*problem);
  if (series.t_s.size() != series.value.size())
    throw std::logic_error("series: times and values differ in number");
  for (std::size_t i = 0; i < series.t_s.size(); ++i)
    if (!std::isfinite(series.t_s[i]) || !std::isfinite(series.value[i]) ||
        (i > 0 && !(series.t_s[i] > series.t_s[i - 1])))
      throw std::logic_error("series: a value is not finite or a time does not rise");
  if (static_cast<int>(series.value.size()) < options.min_values) return NoSpectrum::kTooFewValues;
  const auto grid = OnGrid(series, options);
  if (const auto* reason = std::get_if<NoSpectrum>(&grid)) return *reason;
  const Even& even = std::get<Even>(grid);

  Spectrum r;
  const auto seen = static_cast<double>(series.value.size());
  for (const double v : series.value) r.mean += v / seen;
  double square = 0.0;
  for (const double v : series.value) square += (v - r.mean) * (v - r.mean);
  r.standard_deviation = std::sqrt(square / (seen - 1.0));
  if (!(r.standard_deviation > 1e-12 * std::abs(r.mean))) return NoSpectrum::kNoScatter;
  const auto n = static_cast<double>(even.value.size());
  std::vector<double> centred = even.value;
  for (double& v : centred) v -= r.mean;
  const double effective = EffectiveValues(centred);
  r.rate_hz = 1.0 / even.interval_s;
  r.duration_s = n * even.interval_s;
  r.resolution_hz = 1.0 / r.duration_s;
  r.nyquist_hz = 0.5 * r.rate_hz;
  r.lowest_hz = options.min_cycles / r.duration_s;
  r.lost = even.lost;
  r.autocorrelation_time_s = r.duration_s / effective;
  r.u_mean = r.standard_deviation / std::sqrt(std::min(effective, seen));
  Welch(even.value, even.interval_s, options.segments, r);

  // Without a line: the background alone, of the order that the values ask for; it may take a line for a
  // hump. With one: a background of that order and a line, each found with the other as known so far. What
  // the line is worth is what it takes off the fresh noise: nothing where a hump explains as much. A first
  // order to begin with, too: a higher one hides a strong line.
  const std::vector<double> x = WithoutTrend(even.value);
  const double low = options.min_cycles / n;
  const double high = 0.5 - 1.0 / n;  // there a sine's two parts are still told apart
  const int most = std::min(options.max_order, static_cast<int>(n / 20.0));
  const Autoregression alone = FitAutoregression(x, most);
  const int order = static_cast<int>(alone.a.size());
  const double without = MeanSquare(alone.Whiten(x));
  Autoregression background = alone;
  Best best{low, 0.0};
  double with = std::numeric_limits<double>::infinity();
  for (const int start : {order, std::min(order, 1)}) {
    Autoregression now = FitAutoregressionOfOrder(x, start);
    double cycles = -1.0;
    for (int pass = 0; pass < 4; ++pass) {
      const std::vector<double> fresh = now.Whiten(x);
      const Best found = Strongest(fresh, low, high);
      if (pass > 0 && MeanSquare(fresh) * (1.0 - found.share) < with) {
        with = MeanSquare(fresh) * (1.0 - found.share);
        best = found;
        background = now;
      }
      if (std::abs(found.cycles - cycles) < 0.05 / n) break;
      cycles = found.cycles;
      now = FitAutoregressionOfOrder(WithoutSine(x, cycles), order);
    }
    if (order < 2) break;
  }
  r.order = static_cast<int>(background.a.size());
  for (const double hz : r.hz)
    r.background.push_back(2.0 * background.Density(hz * even.interval_s) * even.interval_s);

  // The background's parameters and the straight line were found from the same values; filled gaps add none.
  const double values = seen - kValuesPerOrder * r.order - 1.0;
  const double band_hz = (high - low) * r.rate_hz;
  r.strongest.false_alarm = std::max(
      FalseAlarmProbability(std::clamp(1.0 - with / without, 0.0, 1.0), values, band_hz, r.duration_s),
      LocalFalseAlarm(background.Whiten(x), best.cycles, band_hz * r.duration_s));
  r.significant = r.strongest.false_alarm < options.false_alarm;

  // On the values themselves, at their own times, about the frequency found.
  const double t0 = series.t_s.front();
  const auto at = [&](std::size_t i) { return series.t_s[i] - t0; };
  double lo = (best.cycles - 0.3 / n) * r.rate_hz, hi = (best.cycles + 0.3 / n) * r.rate_hz;
  for (int i = 0; i < 30; ++i) {
    const double third = (hi - lo) / 3.0;
    if (FitSine(series.value, at, lo + third).share > FitSine(series.value, at, hi - third).share)
      hi -= third;
    else
      lo += third;
  }
  Line& line = r.strongest;
  line.hz = 0.5 * (lo + hi);
  const Sine sine = FitSine(series.value, at, line.hz);
  line.amplitude = std::hypot(sine.cosine, sine.sine);
  line.phase_rad = std::atan2(sine.sine, sine.cosine);
  const double level =
      background.Density(line.hz * even.interval_s);  // variance an interval, as white noise has it
  line.u_amplitude = std::sqrt(2.0 * level / seen);
  line.u_hz =
      std::min(std::sqrt(24.0 * level / seen) / std::max(line.amplitude, 1e-300) / (kTwoPi * r.duration_s),
               r.resolution_hz);
  line.cycles = line.hz * r.duration_s;

  std::vector<double> levels;
  for (int i = 0; i < 65; ++i) levels.push_back(background.Density(low + (high - low) * i / 64.0));
  std::nth_element(levels.begin(), levels.begin() + 32, levels.end());
  r.detectable_amplitude =
      std::sqrt(levels[32]) * DetectableInUnitNoise(options.false_alarm, seen, most, band_hz, r.duration_s);
  return r;
}

}  // namespace conebook::calib
