#include "src/flow_edges.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <optional>

#include "src/straight_pieces.h"

namespace conebook::src {
namespace {

constexpr double kNearValveS = 0.8;   // a stretch's end this close to a shut valve borders on it
constexpr double kOffAtStart = 0.15;  // share of the level; what is nearer is a meter that still follows
constexpr double kOffAtEnd = 0.04;
constexpr double kNoiseShare = 0.02;  // window means may scatter by this
constexpr double kCalmS = 0.3;        // at the level for so long: the end is found
constexpr double kShutShare = 0.3;    // of the flow that the others' square-root law gives
constexpr double kRunsOut = 0.7;      // last third over first: no steady pressure lets a flow fall so
constexpr double kFillGapS = 2.5;     // from a line that fills to the point behind it
constexpr double kClearS = 0.12, kStandsOn = 0.7;
constexpr double kShutS = 0.1;
constexpr double kMostNoise = 0.1;
constexpr double kFillExcess = 1.07;  // flow of a line that fills, over that of the element behind it
constexpr double kFillPressure = 0.98;

class Windows {
 public:
  Windows(const std::vector<double>& t, const std::vector<double>& flow) : t_(t), sum_(flow.size() + 1, 0.0) {
    for (std::size_t i = 0; i < flow.size(); ++i) sum_[i + 1] = sum_[i] + flow[i];
  }
  // Rows first to last, both inside.
  double Mean(std::size_t first, std::size_t last) const {
    return (sum_[last + 1] - sum_[first]) / static_cast<double>(last - first + 1);
  }
  // Of windows of this many rows, one after the other.
  std::vector<double> Means(const SteadyStretch& stretch, std::size_t rows) const {
    std::vector<double> means;
    for (std::size_t i = stretch.first; i + rows - 1 <= stretch.last; i += rows)
      means.push_back(Mean(i, i + rows - 1));
    return means;
  }
  double StepS(const SteadyStretch& stretch) const {
    return (t_[stretch.last] - t_[stretch.first]) / static_cast<double>(stretch.last - stretch.first);
  }

 private:
  const std::vector<double>& t_;
  std::vector<double> sum_;
};

double Median(std::vector<double> values) {
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

// Standard deviation of values from to before to; nothing to go by: infinite.
double Scatter(const std::vector<double>& values, std::size_t from, std::size_t to) {
  if (to < from + 2) return std::numeric_limits<double>::infinity();
  const double n = static_cast<double>(to - from);
  double mean = 0.0, squares = 0.0;
  for (std::size_t i = from; i < to; ++i) mean += values[i] / n;
  for (std::size_t i = from; i < to; ++i) squares += (values[i] - mean) * (values[i] - mean);
  return std::sqrt(squares / (n - 1.0));
}

struct Scale {
  std::size_t rows = 1;  // of a window
  double level = 0.0, noise_share = 0.0;
};

// The shortest window whose means no longer scatter much: single rows of a pulse counter may be all or none.
Scale ScaleOf(const Windows& windows, const SteadyStretch& stretch) {
  Scale scale;
  const double step_s = windows.StepS(stretch);
  const std::size_t all = stretch.last - stretch.first + 1;
  for (const double width_s : {0.06, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5}) {
    scale.rows = std::clamp<std::size_t>(static_cast<std::size_t>(width_s / step_s + 0.5), 1,
                                         std::max<std::size_t>(1, all / 5));
    const std::vector<double> means = windows.Means(stretch, scale.rows);
    // Of the later part: the earlier one may be a line that fills.
    const std::size_t from = (9 * means.size()) / 20;
    scale.level = Median({means.begin() + static_cast<std::ptrdiff_t>(from), means.end()});
    // The calmer of two parts: the other may hold a dip, or the end of what filled the line.
    const std::size_t a = (3 * means.size()) / 10, b = (6 * means.size()) / 10, c = (9 * means.size()) / 10;
    const double sd = std::min(Scatter(means, a, b), Scatter(means, b, c));
    scale.noise_share = scale.level > 0.0 ? sd / scale.level : 0.0;
    if (scale.noise_share <= kNoiseShare) break;
  }
  scale.noise_share = std::min(scale.noise_share, kMostNoise);
  return scale;
}

// For a tenth of a second or more: a row or two about the threshold are no valve.
bool ShutBetween(const std::vector<double>& t, const std::vector<bool>& open, std::size_t first,
                 std::size_t last) {
  bool shut = false;
  double since_s = 0.0;
  for (std::size_t i = first; i <= last && i < open.size(); ++i) {
    if (!open[i] && !shut) since_s = t[i];
    shut = !open[i];
    if (shut && t[i] - since_s >= kShutS) return true;
  }
  return false;
}

bool ShutJustBefore(const std::vector<double>& t, const std::vector<bool>& open, std::size_t row) {
  for (std::size_t i = row; i > 0 && t[row] - t[i - 1] <= kNearValveS; --i) {
    if (!open[i - 1]) return true;
  }
  return row == 0;
}

// Mean flow over the root of pressure.
double FlowOverRoot(const Windows& windows, const SteadyStretch& stretch) {
  return windows.Mean(stretch.first, stretch.last) / std::sqrt(std::max(stretch.mean_bar, 1e-6));
}

// The same of them all: the one in the middle of the time that they last.
double UsualFlow(const Windows& windows, const std::vector<SteadyStretch>& stretches) {
  std::vector<std::pair<double, double>> flows;
  double total_s = 0.0;
  for (const SteadyStretch& stretch : stretches) {
    flows.emplace_back(FlowOverRoot(windows, stretch), stretch.t1_s - stretch.t0_s);
    total_s += flows.back().second;
  }
  std::sort(flows.begin(), flows.end());
  double sum_s = 0.0;
  for (const auto& [flow, duration_s] : flows) {
    sum_s += duration_s;
    if (sum_s >= 0.5 * total_s) return flow;
  }
  return 0.0;
}

bool RunsOut(const Windows& windows, const SteadyStretch& stretch) {
  const std::size_t third = (stretch.last - stretch.first + 1) / 3;
  if (third == 0) return false;
  return windows.Mean(stretch.last + 1 - third, stretch.last) <
         kRunsOut * windows.Mean(stretch.first, stretch.first + third - 1);
}

// Upstream of the valve: the pressure stands while it is shut. Downstream the pressure shows the ends itself.
bool StandsBefore(const std::vector<double>& t, const std::vector<double>& p, const std::vector<bool>& open,
                  const SteadyStretch& stretch) {
  for (std::size_t i = stretch.first; i > 0 && t[stretch.first] - t[i - 1] <= kNearValveS; --i) {
    if (!open[i - 1] && p[i - 1] >= kStandsOn * stretch.mean_bar) return true;
  }
  return false;
}

bool StandsAfter(const std::vector<double>& t, const std::vector<double>& p, const std::vector<bool>& open,
                 const SteadyStretch& stretch) {
  for (std::size_t i = stretch.last; i + 1 < t.size() && t[i + 1] - t[stretch.last] <= kNearValveS; ++i) {
    if (!open[i + 1] && p[i + 1] >= kStandsOn * stretch.mean_bar) return true;
  }
  return false;
}

void DrawIn(const std::vector<double>& t, const std::vector<double>& p, const std::vector<bool>& open,
            const Windows& windows, SteadyStretch& stretch) {
  const std::size_t count = stretch.last - stretch.first + 1;
  if (count < 6) return;
  const Scale scale = ScaleOf(windows, stretch);
  if (!(scale.level > 0.0)) return;
  const std::size_t most = (7 * count) / 10;
  const auto calm = static_cast<std::size_t>(kCalmS / windows.StepS(stretch)) + scale.rows;
  std::size_t first = stretch.first, last = stretch.last;
  if (StandsBefore(t, p, open, stretch)) {
    const double band = std::max(kOffAtStart, 4.0 * scale.noise_share) * scale.level;
    for (std::size_t i = stretch.first; i < stretch.first + most; ++i) {
      if (i + scale.rows - 1 > stretch.last || i > first + calm) break;
      if (std::abs(windows.Mean(i, i + scale.rows - 1) - scale.level) > band) first = i + scale.rows;
    }
  }
  if (StandsAfter(t, p, open, stretch)) {
    const double least = (1.0 - std::max(kOffAtEnd, 4.0 * scale.noise_share)) * scale.level;
    for (std::size_t i = stretch.last + 1; i > stretch.last + 1 - most && i >= scale.rows; --i) {
      if (last <= first + scale.rows + 2 || i + calm < last) break;
      if (windows.Mean(i - scale.rows, i - 1) < least) last = i - scale.rows - 1;
    }
  }
  if (last > first + 2 && first < stretch.last) {
    stretch.first = first;
    stretch.last = last;
  }
}

// Where the pressure stands on when the valve shuts, only the flow shows the end, and with a delay.
void ClearOfShutting(const std::vector<double>& t, const std::vector<double>& p, SteadyStretch& stretch) {
  std::size_t after = stretch.last;
  while (after + 1 < t.size() && t[after] - t[stretch.last] < kClearS) ++after;
  if (p[after] < kStandsOn * stretch.mean_bar) return;
  const double end_s = t[stretch.last] - kClearS;
  while (stretch.last > stretch.first + 3 && t[stretch.last] > end_s) --stretch.last;
}

// Right after the valve opens, more flow at no more pressure than soon after: an element cannot do that.
std::vector<SteadyStretch> WithoutFilling(const std::vector<double>& t, const std::vector<bool>& open,
                                          const Windows& windows,
                                          const std::vector<SteadyStretch>& stretches) {
  std::vector<double> flow;
  for (const SteadyStretch& stretch : stretches) flow.push_back(ScaleOf(windows, stretch).level);
  std::vector<SteadyStretch> kept;
  bool may_fill = false;
  for (std::size_t k = 0; k < stretches.size(); ++k) {
    const SteadyStretch& stretch = stretches[k];
    may_fill = may_fill || ShutJustBefore(t, open, stretch.first);
    bool fills = false;
    for (std::size_t j = k + 1; may_fill && j < stretches.size(); ++j) {
      const SteadyStretch& later = stretches[j];
      if (later.t0_s - stretch.t1_s > kFillGapS || ShutBetween(t, open, stretch.last, later.first)) break;
      fills =
          fills || (flow[k] > kFillExcess * flow[j] && later.mean_bar >= kFillPressure * stretch.mean_bar);
    }
    if (fills) continue;
    may_fill = false;
    kept.push_back(stretch);
  }
  return kept;
}

}  // namespace

bool Describe(const std::vector<double>& time_s, const std::vector<double>& pressure_bar,
              const SteadyOptions& options, double max_drift, SteadyStretch& stretch) {
  stretch.t0_s = time_s[stretch.first];
  stretch.t1_s = time_s[stretch.last];
  const std::size_t rows = stretch.last - stretch.first + 1;
  if (rows < static_cast<std::size_t>(options.min_rows)) return false;
  const StraightPiece line = FitPiece(time_s, pressure_bar, stretch.first, stretch.last);
  stretch.mean_bar = line.mean;
  stretch.drift_share = line.slope * (stretch.t1_s - stretch.t0_s) / line.mean;
  stretch.scatter_share =
      std::sqrt(line.residual_ss / static_cast<double>(std::max<std::size_t>(rows - 2, 1))) / line.mean;
  return std::abs(stretch.drift_share) <= max_drift && stretch.scatter_share <= options.max_scatter;
}

void KeepToFlow(const std::vector<double>& time_s, const std::vector<double>& pressure_bar,
                const std::vector<double>& flow, const std::vector<bool>& open, const SteadyOptions& options,
                std::vector<SteadyStretch>& stretches) {
  const Windows windows(time_s, flow);
  std::vector<SteadyStretch> kept;
  const double usual = UsualFlow(windows, stretches);
  for (std::size_t k = 0; k < stretches.size(); ++k) {
    SteadyStretch stretch = stretches[k];
    // The valve has just shut: a tank's pressure stands, and the meter still runs out.
    const bool shuts = StandsAfter(time_s, pressure_bar, open, stretch);
    if (shuts && FlowOverRoot(windows, stretch) < kShutShare * usual) continue;
    const std::size_t before = stretch.last - stretch.first;
    DrawIn(time_s, pressure_bar, open, windows, stretch);
    if (shuts && RunsOut(windows, stretch)) continue;
    if (shuts) ClearOfShutting(time_s, pressure_bar, stretch);
    if (stretch.last - stretch.first != before) {
      const double step_s = windows.StepS(stretch);
      if (!Describe(time_s, pressure_bar, options, options.max_drift, stretch)) continue;
      if (stretch.t1_s - stretch.t0_s + step_s < options.min_duration_s - 1e-9) continue;
    }
    kept.push_back(stretch);
  }
  stretches = WithoutFilling(time_s, open, windows, kept);
}

}  // namespace conebook::src
