#include "src/sweep.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <optional>
#include <utility>

#include <fmt/core.h>

#include "src/flow_edges.h"
#include "src/mean_noise.h"

namespace conebook::src {
namespace {

using calib::Severity;

constexpr double kAboutShare = 0.005;
constexpr double kSmoothS = 0.25;                    // either side
constexpr double kZeroBar = 0.1, kZeroShare = 0.03;  // as pressure_points.h tells shut from open
constexpr double kOpenShare = 0.33;                  // of the flow that this pressure usually gives
constexpr double kShortestRunS = 1.5;
constexpr double kClearS = 0.3, kClearLags = 8.0;        // from the valve's movements
constexpr double kLeastLagS = 0.02, kMostLagS = 0.3;     // of a meter of which nothing is known
constexpr double kStatedUShare = 0.2;                    // of a stated lag without u
constexpr double kLagStepS = 0.005, kLongestLagS = 0.6;  // searched
constexpr double kFollowS = 3.0;                         // after the opening
constexpr double kFineS = 0.002;
constexpr double kPulseBinS =
    0.1;  // whole pulses flicker from row to row; over a tenth of a second they hardly do
constexpr double kLeastULagS = 0.01, kMostULagS = 0.1;

struct Range {
  std::size_t first = 0, last = 0;  // rows, both inside
};

std::vector<double> Smoothed(const std::vector<double>& t, const std::vector<double>& values, double half_s) {
  std::vector<double> smooth(values.size());
  std::size_t from = 0, to = 0;
  double sum = 0.0;
  for (std::size_t i = 0; i < values.size(); ++i) {
    while (to < values.size() && t[to] <= t[i] + half_s) sum += values[to++];
    while (t[from] < t[i] - half_s) sum -= values[from++];
    smooth[i] = sum / static_cast<double>(to - from);
  }
  return smooth;
}

double Median(std::vector<double> values) {
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

// Stretches in which the valve is open.
std::vector<Range> OpenRuns(const StandLog& log, const std::vector<double>& bar) {
  const std::vector<double> p = Smoothed(log.time_s, bar, kSmoothS);
  const double off = std::max(kZeroBar, kZeroShare * *std::max_element(p.begin(), p.end()));
  std::vector<bool> open(p.size());
  for (std::size_t i = 0; i < p.size(); ++i) open[i] = p[i] > off;
  if (!log.flow.empty()) {
    const std::vector<double> q =
        Smoothed(log.time_s, log.flow, std::max(kSmoothS, 1.5 * log.MedianInterval_s()));
    const double most = *std::max_element(q.begin(), q.end());
    std::vector<double> over_root;
    for (std::size_t i = 0; i < p.size(); ++i) {
      if (open[i] && q[i] > kZeroShare * most) over_root.push_back(q[i] / std::sqrt(p[i]));
    }
    if (over_root.empty()) return {};
    const double usual = Median(over_root);
    for (std::size_t i = 0; i < p.size(); ++i)
      open[i] = open[i] && q[i] > kOpenShare * usual * std::sqrt(p[i]);
  }
  std::vector<Range> runs;
  for (std::size_t i = 0; i < open.size(); ++i) {
    if (!open[i]) continue;
    if (runs.empty() || runs.back().last + 1 != i) runs.push_back({i, i});
    runs.back().last = i;
  }
  std::erase_if(
      runs, [&](const Range& run) { return log.time_s[run.last] - log.time_s[run.first] < kShortestRunS; });
  return runs;
}

// The meter's column added up, so that the mean over any span of time is a difference. Pulses of a row belong
// to the interval that it ends; other readings are joined by straight lines.
class Totals {
 public:
  explicit Totals(const StandLog& log) : t_(log.time_s), sum_(log.Rows(), 0.0) {
    const bool pulses = log.flow_kind == FlowKind::kPulseHz;
    for (std::size_t i = 1; i < sum_.size(); ++i) {
      const double flow = pulses ? log.flow[i] : 0.5 * (log.flow[i] + log.flow[i - 1]);
      sum_[i] = sum_[i - 1] + flow * (t_[i] - t_[i - 1]);
    }
  }
  double Mean(double t0_s, double t1_s) const { return (At(t1_s) - At(t0_s)) / (t1_s - t0_s); }

 private:
  double At(double t_s) const {
    const auto after = std::lower_bound(t_.begin() + 1, t_.end() - 1, t_s);
    const auto i = static_cast<std::size_t>(after - t_.begin());
    return sum_[i - 1] + (sum_[i] - sum_[i - 1]) * (t_s - t_[i - 1]) / (t_[i] - t_[i - 1]);
  }
  const std::vector<double>& t_;
  std::vector<double> sum_;
};

// What is fitted while a meter follows an opening valve: the reading is a * F + b * E, where F is the root of
// pressure as a meter of this lag sees it, and E what is left of where the meter stood at the beginning.
struct Followed {
  std::vector<double> t0_s, t1_s, flow;  // spans of time and the mean reading in each; pulses: whole spans
  bool means = false;                    // false: readings at t1_s
};

struct LagFit {
  double squares = std::numeric_limits<double>::infinity();
};

LagFit FitLag(const Followed& seen, const std::vector<double>& t, const std::vector<double>& bar,
              double lag_s) {
  const double begin_s = seen.t0_s.front();
  double f = 0.0, e = 1.0, now_s = begin_s;
  std::size_t row = 0;
  const auto root_at = [&](double at_s) {
    while (row + 2 < t.size() && t[row + 1] < at_s) ++row;
    const double part = (at_s - t[row]) / (t[row + 1] - t[row]);
    return std::sqrt(std::max(0.0, bar[row] + part * (bar[row + 1] - bar[row])));
  };
  double ff = 0.0, ee = 0.0, fe = 0.0, fq = 0.0, eq = 0.0, qq = 0.0;
  for (std::size_t k = 0; k < seen.flow.size(); ++k) {
    double sum_f = 0.0, sum_e = 0.0, sum_s = 0.0;
    while (now_s < seen.t1_s[k] - 1e-12) {
      const double step_s = std::min(kFineS, seen.t1_s[k] - now_s);
      const double part = 1.0 - std::exp(-step_s / lag_s);
      sum_f += 0.5 * f * step_s;
      sum_e += 0.5 * e * step_s;
      f += (root_at(now_s + 0.5 * step_s) - f) * part;
      e *= 1.0 - part;
      sum_f += 0.5 * f * step_s;
      sum_e += 0.5 * e * step_s;
      sum_s += step_s;
      now_s += step_s;
    }
    const double x = seen.means && sum_s > 0.0 ? sum_f / sum_s : f;
    const double y = seen.means && sum_s > 0.0 ? sum_e / sum_s : e;
    const double q = seen.flow[k];
    ff += x * x;
    ee += y * y;
    fe += x * y;
    fq += x * q;
    eq += y * q;
    qq += q * q;
  }
  LagFit fit;
  const double determinant = ff * ee - fe * fe;
  if (!(determinant > 1e-12 * ff * ee)) return fit;
  const double a = (fq * ee - eq * fe) / determinant, b = (eq * ff - fq * fe) / determinant;
  fit.squares = std::max(0.0, qq - a * fq - b * eq);
  return fit;
}

Followed ReadingsAfter(const StandLog& log, double begin_s, double end_s) {
  Followed seen;
  seen.means = log.flow_kind == FlowKind::kPulseHz;
  const double span_s = seen.means ? kPulseBinS : 0.0;
  double t0_s = begin_s, sum = 0.0, sum_s = 0.0;
  for (std::size_t i = 1; i < log.Rows(); ++i) {
    if (log.time_s[i - 1] < begin_s || log.time_s[i] > end_s) continue;
    if (seen.flow.empty() && sum_s == 0.0) t0_s = log.time_s[i - 1];
    const double step_s = log.time_s[i] - log.time_s[i - 1];
    sum += log.flow[i] * step_s;
    sum_s += step_s;
    if (sum_s < span_s - 1e-9) continue;
    seen.t0_s.push_back(t0_s);
    seen.t1_s.push_back(log.time_s[i]);
    seen.flow.push_back(seen.means ? sum / sum_s : log.flow[i]);
    t0_s = log.time_s[i];
    sum = sum_s = 0.0;
  }
  return seen;
}

std::optional<MeterLag> LagFromOpening(const StandLog& log, const std::vector<double>& bar) {
  const std::vector<Range> runs = OpenRuns(log, bar);
  if (runs.empty()) return std::nullopt;
  const Range run = runs.front();
  double level = 0.0;
  for (std::size_t i = run.first; i <= run.last && log.time_s[i] < log.time_s[run.first] + kFollowS; ++i)
    level = std::max(level, bar[i]);
  // Where the pressure last passes half its level on the way up: a line that fills has come to its end there.
  std::size_t at = run.first;
  while (at > 0 && log.time_s[run.first] - log.time_s[at] < 1.0) --at;
  if (bar[at] > 0.2 * level) return std::nullopt;
  while (at < run.last && bar[at] < 0.5 * level) ++at;
  const double begin_s = log.time_s[at > 0 ? at - 1 : 0];
  const Followed seen = ReadingsAfter(log, begin_s, std::min(log.time_s[run.last], begin_s + kFollowS));
  if (seen.flow.size() < 12) return std::nullopt;
  std::vector<double> squares;
  for (double lag_s = kLagStepS; lag_s <= kLongestLagS + 1e-9; lag_s += kLagStepS)
    squares.push_back(FitLag(seen, log.time_s, bar, lag_s).squares);
  const auto best = std::min_element(squares.begin(), squares.end());
  if (!std::isfinite(*best)) return std::nullopt;
  const double variance = *best / static_cast<double>(seen.flow.size() - 3);
  // Two standard deviations of chance for one: pressure and valve are not as simple as the model.
  std::size_t lo = static_cast<std::size_t>(best - squares.begin()), hi = lo;
  while (lo > 0 && squares[lo - 1] <= *best + 4.0 * variance) --lo;
  while (hi + 1 < squares.size() && squares[hi + 1] <= *best + 4.0 * variance) ++hi;
  MeterLag lag;
  lag.from = MeterLag::From::kOpening;
  lag.lag_s = kLagStepS * static_cast<double>(best - squares.begin() + 1);
  const double reach = std::max(static_cast<double>(best - squares.begin()) - static_cast<double>(lo),
                                static_cast<double>(hi) - static_cast<double>(best - squares.begin()));
  lag.u_lag_s =
      std::hypot(std::max(kLeastULagS, kLagStepS * reach), log.MedianInterval_s() / std::sqrt(12.0));
  lag.most_s = lag.lag_s;
  if (lag.u_lag_s > kMostULagS || hi + 1 == squares.size()) return std::nullopt;
  return lag;
}

std::optional<double> Stated(const Rig& rig, const char* key) {
  const TomlNode* const meter = rig.document.Find("meter");
  const TomlNode* const value = meter == nullptr ? nullptr : meter->Find(key);
  return value == nullptr ? std::nullopt : std::optional(value->number);
}

// Moments at which the pressure has come down to each bin's end; the first is where the fall begins.
std::vector<std::size_t> Edges(const StandLog& log, const std::vector<double>& smooth, Range run,
                               const SweepOptions& options, bool& rises) {
  std::vector<std::size_t> edges;
  if (run.last <= run.first) return edges;
  double highest = 0.0;
  for (std::size_t i = run.first; i <= run.last; ++i) highest = std::max(highest, smooth[i]);
  std::size_t top = run.first;  // where it comes up to about that: noise would put the top anywhere
  while (smooth[top] < (1.0 - kAboutShare) * highest) ++top;
  edges.push_back(top);
  double edge_bar = (1.0 - options.bin_share) * smooth[top], lowest = smooth[top];
  std::size_t i = top + 1;
  for (; i <= run.last; ++i) {
    if (smooth[i] > (1.0 + options.max_rise) * lowest) {
      rises = true;
      break;
    }
    lowest = std::min(lowest, smooth[i]);
    if (lowest > edge_bar) continue;
    edges.push_back(i);
    edge_bar = (1.0 - options.bin_share) * smooth[i];
  }
  const std::size_t end = i - 1;
  // What is left at the end: a bin of its own, if it lasts.
  if (end > edges.back() && log.time_s[end] - log.time_s[edges.back()] >= options.min_duration_s)
    edges.push_back(end);
  return edges;
}

class Binner {
 public:
  Binner(const Rig& rig, const StandLog& log, const std::vector<double>& bar, const SweepOptions& options,
         Sweep& sweep)
      : rig_(rig), log_(log), bar_(bar), options_(options), sweep_(sweep) {
    if (!log.flow.empty()) totals_.emplace(log);
  }

  void Take(Range run) {
    // The run's own ends are known to the smoothing, and smoothed rows see that much beyond them.
    const double clear_s = std::max(kClearS, kClearLags * sweep_.lag.lag_s) + kSmoothS;
    const double end_s = log_.time_s[run.last] - 2.0 * kSmoothS - kClearS - sweep_.lag.lag_s;
    const double begin_s = log_.time_s[run.first] + clear_s;
    while (run.first < run.last && log_.time_s[run.first] < begin_s) ++run.first;
    while (run.last > run.first && log_.time_s[run.last] > end_s) --run.last;
    const std::vector<double> smooth = Smoothed(log_.time_s, bar_, kSmoothS);
    const std::vector<std::size_t> edges = Edges(log_, smooth, run, options_, rises_);
    for (std::size_t k = 0; k + 1 < edges.size(); ++k) TakeBin(edges[k], edges[k + 1] - 1);
  }

  void Say() {
    const auto flag = [&](const char* code, const std::string& message, const char* advice) {
      sweep_.flags.push_back(
          {code, Severity::kWarn, std::nullopt, std::string("pressure_bar"), message, advice});
    };
    if (!fast_.empty()) {
      flag("sweep_too_fast",
           fmt::format(
               "the pressure falls too fast for the meter at {}: the rate times the lag of {:.2f} s is "
               "above {:g} %, or the bin is over before it can be read; these are left out",
               fast_, sweep_.lag.most_s, 100.0 * options_.max_rate_times_lag),
           "blow down more slowly (more gas over the liquid, a smaller element), take a faster meter, or "
           "state [meter] lag_s, measured");
    }
    if (!broken_.empty()) {
      flag("sweep_law_breaks",
           fmt::format("flow over the root of pressure changes by more than {:g} % within {}: a valve that "
                       "moves, a line that fills, or gas; these are left out",
                       100.0 * options_.max_law_change, broken_),
           "open the valve wholly before the fall begins, and shut it before the tank is empty");
    }
    if (rises_) {
      flag("sweep_rises", "the pressure rises again while the liquid flows: what follows is left out",
           "leave the gas supply shut during a blow-down, or measure without --sweep");
    }
  }

 private:
  static void AddTo(std::string& list, const SteadyStretch& bin) {
    list += fmt::format("{}{:.2f} bar ({:.1f} to {:.1f} s)", list.empty() ? "" : ", ", bin.mean_bar, bin.t0_s,
                        bin.t1_s);
  }

  void TakeBin(std::size_t first, std::size_t last) {
    SteadyStretch bin;
    bin.first = first;
    bin.last = std::max(first, last);
    bin.t0_s = log_.time_s[bin.first];
    bin.t1_s = log_.time_s[bin.last];
    bin.mean_bar = bar_[first];
    SteadyOptions any;
    any.min_rows = options_.min_rows;
    const double everything = std::numeric_limits<double>::infinity();
    any.max_scatter = everything;
    const bool lasts =
        bin.t1_s - bin.t0_s >= options_.min_duration_s && Describe(log_.time_s, bar_, any, everything, bin);
    const double rate = lasts ? std::abs(bin.drift_share) / (bin.t1_s - bin.t0_s) : 0.0;  // share a second
    if (!lasts || rate * sweep_.lag.most_s > options_.max_rate_times_lag) {
      AddTo(fast_, bin);
      return;
    }
    if (LawBreaks(bin)) {
      AddTo(broken_, bin);
      return;
    }
    sweep_.bins.push_back(bin);
    sweep_.readings.push_back(ReadingOf(bin, rate));
  }

  // Of the bin's first and last third. Steps of a counter and noise are no break.
  bool LawBreaks(const SteadyStretch& bin) const {
    if (!totals_) return false;
    const double third_s = (bin.t1_s - bin.t0_s) / 3.0;
    const auto over_root = [&](double t0_s, double t1_s) {  // at least a row lies within: min_rows
      double root = 0.0;
      int count = 0;
      for (std::size_t i = bin.first; i <= bin.last; ++i) {
        if (log_.time_s[i] < t0_s || log_.time_s[i] > t1_s) continue;
        root += std::sqrt(std::max(0.0, bar_[i]));
        ++count;
      }
      return totals_->Mean(t0_s + sweep_.lag.lag_s, t1_s + sweep_.lag.lag_s) / (root / std::max(1, count));
    };
    const double before = over_root(bin.t0_s, bin.t0_s + third_s);
    const double after = over_root(bin.t1_s - third_s, bin.t1_s);
    const double mean = totals_->Mean(bin.t0_s + sweep_.lag.lag_s, bin.t1_s + sweep_.lag.lag_s);
    // Of the difference of two thirds: rows that scatter, or a count off by up to a pulse at either end.
    const double noise = std::sqrt(log_.flow_kind == FlowKind::kPulseHz ? 18.0 : 6.0) * UFlow(bin) / mean;
    return !(std::abs(after - before) <= (options_.max_law_change + 4.0 * noise) * std::abs(before));
  }

  double UFlow(const SteadyStretch& bin) const {
    if (log_.flow_kind == FlowKind::kPulseHz) return std::sqrt(2.0 / 12.0) / (bin.t1_s - bin.t0_s);
    return NoiseOfMean(log_.time_s, log_.flow, bin.first, bin.last).u;
  }

  PointReading ReadingOf(const SteadyStretch& bin, double rate) const {
    PointReading reading;
    reading.log_t0_s = bin.t0_s;
    reading.log_t1_s = bin.t1_s;
    reading.direction = Direction::kFalling;
    double temperature = 0.0;
    const double n = static_cast<double>(bin.last - bin.first + 1);
    for (std::size_t i = bin.first; i <= bin.last; ++i) {
      reading.pressure_bar += log_.pressure_bar[i] / n;
      if (!log_.temperature_c.empty()) temperature += log_.temperature_c[i] / n;
    }
    if (!log_.temperature_c.empty()) reading.temperature_c = temperature;
    const MeanNoise noise = NoiseOfMean(log_.time_s, log_.pressure_bar, bin.first, bin.last);
    reading.u_pressure_statistics_bar = noise.u;
    reading.pressure_dof = noise.dof;
    if (!totals_) return reading;
    reading.flow_kind = log_.flow_kind;
    reading.flow = totals_->Mean(bin.t0_s + sweep_.lag.lag_s, bin.t1_s + sweep_.lag.lag_s);
    reading.u_flow_statistics = UFlow(bin);
    // Half: flow goes with the root of pressure.
    const char* const source = sweep_.lag.from == MeterLag::From::kAssumed
                                   ? "lag of the meter (assumed 20 to 300 ms)"
                                   : "lag of the meter";
    reading.flow_also.push_back({source, 0.5 * rate * sweep_.lag.u_lag_s, calib::Shared::kClip});
    return reading;
  }

  const Rig& rig_;
  const StandLog& log_;
  const std::vector<double>& bar_;
  const SweepOptions& options_;
  Sweep& sweep_;
  std::optional<Totals> totals_;
  std::string fast_, broken_;
  bool rises_ = false;
};

const char* InWords(MeterLag::From from) {
  switch (from) {
    case MeterLag::From::kStated:
      return "as stated";
    case MeterLag::From::kOpening:
      return "from how the flow follows the pressure as the valve opens";
    case MeterLag::From::kAssumed:
      return "assumed";
    case MeterLag::From::kNoFlow:
      return "no meter";
  }
  return "";
}

}  // namespace

std::string SweepOptions::InWords() const {
  return fmt::format(
      "sweep: bins of {:g} % of falling pressure, at least {:g} s and {} rows each; left out where the rate "
      "times the meter's lag is above {:g} %, or flow over root of pressure changes by more than {:g} %",
      100.0 * bin_share, min_duration_s, min_rows, 100.0 * max_rate_times_lag, 100.0 * max_law_change);
}

MeterLag FindMeterLag(const Rig& rig, const StandLog& log, const std::vector<double>& gauge_bar) {
  MeterLag lag;
  if (log.flow.empty()) return lag;
  if (const auto stated = Stated(rig, "lag_s")) {
    lag.from = MeterLag::From::kStated;
    lag.lag_s = lag.most_s = *stated;
    lag.u_lag_s = Stated(rig, "u_lag_s").value_or(kStatedUShare * *stated);
    return lag;
  }
  if (rig.stand.tap != PressureTap::kTank) {
    if (const auto found = LagFromOpening(log, gauge_bar)) return *found;
  }
  lag.from = MeterLag::From::kAssumed;
  lag.lag_s = 0.5 * (kLeastLagS + kMostLagS);
  lag.u_lag_s = 0.5 * (kMostLagS - kLeastLagS) / std::sqrt(3.0);
  lag.most_s = kMostLagS;
  return lag;
}

Sweep ReadSweep(const Rig& rig, const StandLog& log, const std::vector<double>& gauge_bar,
                const SweepOptions& options) {
  Sweep sweep;
  sweep.lag = FindMeterLag(rig, log, gauge_bar);
  Binner binner(rig, log, gauge_bar, options, sweep);
  for (const Range& run : OpenRuns(log, gauge_bar)) binner.Take(run);
  binner.Say();
  sweep.flags.push_back(
      {"sweep", Severity::kInfo, std::nullopt, std::nullopt,
       fmt::format("{}; flow read {:.3f} s after pressure (u {:.3f} s), the lag of the meter, {}",
                   options.InWords(), sweep.lag.lag_s, sweep.lag.u_lag_s, InWords(sweep.lag.from)),
       sweep.lag.from == MeterLag::From::kAssumed ? "state [meter] lag_s, measured" : ""});
  return sweep;
}

}  // namespace conebook::src
