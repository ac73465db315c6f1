#include "src/pressure_points.h"

#include <algorithm>
#include <cmath>
#include <stdexcept>

#include <fmt/core.h>

#include "src/flow_edges.h"
#include "src/straight_pieces.h"

namespace conebook::src {
namespace {

constexpr double kBinS = 0.04;  // rows are averaged to this, so that the price of a cut does not depend on
                                // the log's rate
constexpr double kNoiseWindowS = 0.4;
constexpr double kNoiseFloorShare = 0.0025;
constexpr double kTrimSearchS = 0.6;  // how far into a stretch a transient is looked for
constexpr double kTrimShare = 0.005;
constexpr double kEdgeS = 0.2;  // how far the ends are looked for row by row
constexpr double kOpenShare = 0.33;
constexpr double kDipS = 0.3;   // between two stretches at about one level
constexpr double kJoinS = 0.6;  // between two stretches at one level, with the valve open
constexpr double kSettlingS = 2.0, kBriefShare = 0.6;
constexpr double kBriefS = 0.8, kNearLevel = 0.04, kVeryBriefS = 0.6, kNotFar = 0.08;
constexpr double kGapIntervals = 6.0;  // a pause of the logger ends a point

struct Bins {
  std::vector<double> t, p;
  std::vector<std::size_t> first, last;  // rows
  std::size_t Count() const { return t.size(); }
};

double MedianStep(const std::vector<double>& t) {
  std::vector<double> steps;
  for (std::size_t i = 1; i < t.size(); ++i) steps.push_back(t[i] - t[i - 1]);
  const auto middle = steps.begin() + static_cast<std::ptrdiff_t>(steps.size() / 2);
  std::nth_element(steps.begin(), middle, steps.end());
  return *middle;
}

// Centred running mean over +-half_width_s: pulses of a gated counter need it before they can be called zero.
std::vector<double> Smoothed(const std::vector<double>& t, const std::vector<double>& values,
                             double half_width_s) {
  std::vector<double> result(values.size());
  std::vector<double> sum(values.size() + 1, 0.0);
  for (std::size_t i = 0; i < values.size(); ++i) sum[i + 1] = sum[i] + values[i];
  std::size_t lo = 0, hi = 0;
  for (std::size_t i = 0; i < values.size(); ++i) {
    while (t[lo] < t[i] - half_width_s) ++lo;
    while (hi < values.size() && t[hi] <= t[i] + half_width_s) ++hi;
    result[i] = (sum[hi] - sum[lo]) / static_cast<double>(hi - lo);
  }
  return result;
}

// The smallest step between two readings: the resolution of a coarse sensor. Zero for one that never repeats
// itself.
double Resolution(const std::vector<double>& values) {
  double smallest = 0.0;
  std::size_t repeats = 0;
  for (std::size_t i = 1; i < values.size(); ++i) {
    const double step = std::abs(values[i] - values[i - 1]);
    if (step < 1e-9) {
      ++repeats;
    } else if (smallest == 0.0 || step < smallest) {
      smallest = step;
    }
  }
  return repeats * 10 > values.size() ? smallest : 0.0;
}

struct Level {
  std::size_t first = 0, last = 0;  // bins
  std::vector<StraightPiece> pieces;
  double weight = 0.0, mean = 0.0;
};

class Finder {
 public:
  Finder(const std::vector<double>& t, const std::vector<double>& p, const std::vector<double>& flow,
         const SteadyOptions& options)
      : t_(t), p_(p), flow_(flow), options_(options), step_s_(MedianStep(t)), resolution_(Resolution(p)) {
    MarkActive(flow);
  }

  std::vector<SteadyStretch> Find() {
    std::vector<SteadyStretch> found;
    std::vector<Bins> runs = ActiveRuns();
    const double noise = Noise(runs);
    for (const Bins& run : runs) FindInRun(run, noise, found);
    // What is joined has another mean, which its neighbour may then share.
    std::size_t before = found.size();
    Join(found, true);
    while (found.size() < before) {
      before = found.size();
      Join(found, false);
    }
    if (!flow_.empty()) KeepToFlow(t_, p_, flow_, active_, options_, found);
    return found;
  }

 private:
  void MarkActive(const std::vector<double>& flow) {
    const double highest = *std::max_element(p_.begin(), p_.end());
    const double off = std::max(options_.zero_bar, options_.zero_share * highest);
    active_.resize(p_.size());
    for (std::size_t i = 0; i < p_.size(); ++i) active_[i] = p_[i] > off;
    if (flow.empty()) return;
    const std::vector<double> smooth = Smoothed(t_, flow, std::max(0.25, 1.5 * step_s_));
    const double most = *std::max_element(smooth.begin(), smooth.end());
    if (!(most > 0.0)) return;  // a meter that never turned says nothing about the valve
    for (std::size_t i = 0; i < p_.size(); ++i)
      active_[i] = active_[i] && smooth[i] > options_.zero_flow_share * most;
    // Upstream of the valve the pressure stands when it shuts, and a meter that lags runs out for a second:
    // less than a third of what flows at this pressure elsewhere is a valve on its way.
    std::vector<double> over_root;
    std::size_t shut = 0, stands = 0;
    for (std::size_t i = 0; i < p_.size(); ++i) {
      if (active_[i]) {
        over_root.push_back(smooth[i] / std::sqrt(p_[i]));
      } else {
        ++shut;
        stands += p_[i] > off ? 1 : 0;
      }
    }
    if (2 * stands < shut) return;  // downstream of it the pressure itself tells
    if (over_root.empty()) return;
    const auto middle = over_root.begin() + static_cast<std::ptrdiff_t>(over_root.size() / 2);
    std::nth_element(over_root.begin(), middle, over_root.end());
    for (std::size_t i = 0; i < p_.size(); ++i)
      active_[i] = active_[i] && smooth[i] > kOpenShare * *middle * std::sqrt(p_[i]);
  }

  std::vector<Bins> ActiveRuns() const {
    const auto rows_a_bin = static_cast<std::size_t>(std::max(1.0, std::floor(kBinS / step_s_ + 0.5)));
    std::vector<Bins> runs;
    std::size_t i = 0;
    while (i < p_.size()) {
      if (!active_[i]) {
        ++i;
        continue;
      }
      std::size_t end = i + 1;
      while (end < p_.size() && active_[end] && t_[end] - t_[end - 1] < kGapIntervals * step_s_) ++end;
      Bins run;
      for (; i < end; i += rows_a_bin) {
        const std::size_t stop = std::min(end, i + rows_a_bin);
        double sum_t = 0.0, sum_p = 0.0;
        for (std::size_t row = i; row < stop; ++row) {
          sum_t += t_[row] - t_[i];
          sum_p += p_[row];
        }
        const double count = static_cast<double>(stop - i);
        run.t.push_back(t_[i] + sum_t / count);
        run.p.push_back(sum_p / count);
        run.first.push_back(i);
        run.last.push_back(stop - 1);
      }
      i = end;
      runs.push_back(std::move(run));
    }
    return runs;
  }

  double Noise(const std::vector<Bins>& runs) const {
    // The longest run knows best. The floor: wiggles far below what tells two levels apart are not worth a
    // cut.
    std::vector<double> levels;
    double noise = 0.0;
    std::size_t longest = 0;
    for (const Bins& run : runs) {
      levels.insert(levels.end(), run.p.begin(), run.p.end());
      if (run.Count() <= longest) continue;
      longest = run.Count();
      const double bin_s = std::max(kBinS, step_s_);
      const auto window = static_cast<std::size_t>(std::max(4.0, std::floor(kNoiseWindowS / bin_s + 0.5)));
      noise = EstimateNoise(run.t, run.p, window);
    }
    if (levels.empty()) return 1.0;
    const auto middle = levels.begin() + static_cast<std::ptrdiff_t>(levels.size() / 2);
    std::nth_element(levels.begin(), middle, levels.end());
    return std::max({noise, kNoiseFloorShare * *middle, resolution_ / std::sqrt(12.0)});
  }

  double PieceDuration(const Bins& run, const StraightPiece& piece) const {
    return run.t[piece.last] - run.t[piece.first];
  }

  bool Flat(const Bins& run, const StraightPiece& piece, double noise) const {
    const double duration_s = PieceDuration(run, piece);
    if (!(duration_s > 0.0)) return false;
    const double count = static_cast<double>(piece.last - piece.first + 1);
    // sd of a least-squares slope over evenly spaced values; two of them are allowed for.
    const double sd_slope = noise * std::sqrt(12.0 / count) / duration_s;
    const double slope = std::max(0.0, std::abs(piece.slope) - 2.0 * sd_slope);
    return slope <= options_.max_rate_per_s * piece.mean ||
           std::abs(piece.slope) * duration_s <= options_.max_piece_change * piece.mean;
  }

  bool SameLevel(const Bins& run, const Level& level, const StraightPiece& piece, double noise) const {
    const StraightPiece& before = level.pieces.back();
    const double weight = static_cast<double>(piece.last - piece.first + 1);
    const double sd = noise * std::sqrt(1.0 / level.weight + 1.0 / weight);
    const double apart = std::abs(piece.mean - level.mean);
    if (apart <= std::max({options_.same_level * level.mean, 1.5 * resolution_, 2.5 * sd})) return true;
    // A long plateau that drifts: two pieces that meet without a jump.
    const auto slow = [&](const StraightPiece& one) {
      return std::abs(one.slope) <= options_.max_rate_per_s * one.mean &&
             PieceDuration(run, one) >= options_.min_duration_s;
    };
    const double middle_s = 0.5 * (run.t[before.last] + run.t[piece.first]);
    return slow(before) && slow(piece) &&
           std::abs(before.At(middle_s) - piece.At(middle_s)) <= 0.5 * options_.same_level * level.mean;
  }

  static void Append(Level& level, const StraightPiece& piece) {
    const double weight = static_cast<double>(piece.last - piece.first + 1);
    if (level.pieces.empty()) level.first = piece.first;
    level.last = piece.last;
    level.mean = (level.mean * level.weight + piece.mean * weight) / (level.weight + weight);
    level.weight += weight;
    level.pieces.push_back(piece);
  }

  void FindInRun(const Bins& run, double noise, std::vector<SteadyStretch>& found) const {
    std::vector<Level> levels;
    for (const StraightPiece& piece : CutIntoStraightPieces(run.t, run.p, noise)) {
      if (!Flat(run, piece, noise)) continue;
      const double bridge_s = std::max(options_.bridge_s, 1.5 * step_s_);
      const bool near = !levels.empty() && run.t[piece.first] - run.t[levels.back().last] <= bridge_s;
      if (near && SameLevel(run, levels.back(), piece, noise)) {
        Append(levels.back(), piece);
      } else {
        levels.emplace_back();
        Append(levels.back(), piece);
      }
    }
    for (const Level& level : levels) {
      if (Keep(run, level.first, level.last, noise, options_.max_drift, found)) continue;
      if (level.pieces.size() < 2) continue;
      // Joined, they drift too far: each may still be steady by itself, if it hardly moves.
      for (const StraightPiece& piece : level.pieces) {
        Keep(run, piece.first, piece.last, noise, options_.max_piece_change, found);
      }
    }
  }

  // Cuts off what deviates near the ends.
  void Trim(const Bins& run, std::size_t& first, std::size_t& last, double noise) const {
    const std::size_t count = last - first + 1;
    if (count < 6) return;
    const StraightPiece core = FitPiece(run.t, run.p, first + count / 3, last - count / 6);
    // Only the level of the core: its slope would be stretched too far.
    const double tolerance =
        std::max({3.0 * noise / std::sqrt(3.0), kTrimShare * core.mean, 0.75 * resolution_});
    const auto deviates = [&](std::size_t i) {
      const std::size_t lo = i > first ? i - 1 : i, hi = std::min(last, i + 1);
      double sum = 0.0;
      for (std::size_t k = lo; k <= hi; ++k) sum += run.p[k];
      const double drift = core.slope * (run.t[i] - core.mean_t);
      const double off = sum / static_cast<double>(hi - lo + 1) - core.mean;
      return std::min(std::abs(off), std::abs(off - drift)) > tolerance;
    };
    const double t0 = run.t[first], t1 = run.t[last];
    const std::size_t middle_from = first + (2 * count) / 5, middle_to = last - (2 * count) / 5;
    std::size_t new_first = first, new_last = last;
    for (std::size_t i = first; i < middle_from && run.t[i] - t0 <= kTrimSearchS; ++i) {
      if (deviates(i)) new_first = i + 1;
    }
    for (std::size_t i = last; i > middle_to && t1 - run.t[i] <= kTrimSearchS; --i) {
      if (deviates(i)) new_last = i - 1;
    }
    first = new_first;
    last = new_last;
  }

  // The ends to the row: bins and pieces cut them coarsely. A row belongs to the stretch when it and the mean
  // with its outer neighbour lie at the level, so that the last row before the valve moves is not taken.
  void SetEdges(SteadyStretch& stretch) const {
    const StraightPiece line = FitPiece(t_, p_, stretch.first, stretch.last);
    const double rows = static_cast<double>(stretch.last - stretch.first + 1);
    const double sd = std::sqrt(line.residual_ss / std::max(1.0, rows - 2.0));
    const double one = std::max({3.0 * sd, kTrimShare * line.mean, 0.75 * resolution_});
    const double two = std::max({2.5 * sd / std::sqrt(2.0), kTrimShare * line.mean, 0.75 * resolution_});
    // The level, or the drifting line where that fits better and is known well enough to be extended.
    const bool long_enough = t_[stretch.last] - t_[stretch.first] > 5.0 * kEdgeS;
    const auto belongs = [&](std::size_t row, std::size_t outer) {
      const double drift = line.slope * (t_[row] - line.mean_t);
      const auto fits = [&](double level) {
        const double off = p_[row] - level, off_outer = p_[outer] - level;
        return std::abs(off) <= one && std::abs(0.5 * (off + off_outer)) <= two;
      };
      return fits(line.mean) || (long_enough && fits(line.mean + drift));
    };
    const double from_s = t_[stretch.first] - kEdgeS, to_s = t_[stretch.last] + kEdgeS;
    const double gap_s = kGapIntervals * step_s_;
    const auto usable = [&](std::size_t row, std::size_t beside) {
      return active_[row] && std::abs(t_[row] - t_[beside]) < gap_s;
    };
    const auto outwards_first = [&](std::size_t i) { return i > 0 ? i - 1 : i; };
    const auto outwards_last = [&](std::size_t i) { return i + 1 < p_.size() ? i + 1 : i; };
    // Inwards by a bin at most while the end row does not belong, then outwards.
    const double first_s = t_[stretch.first] + kBinS - step_s_, last_s = t_[stretch.last] - kBinS + step_s_;
    while (t_[stretch.first] < first_s && !belongs(stretch.first, outwards_first(stretch.first)))
      ++stretch.first;
    while (t_[stretch.last] > last_s && !belongs(stretch.last, outwards_last(stretch.last))) --stretch.last;
    while (stretch.first > 0 && t_[stretch.first - 1] >= from_s && usable(stretch.first - 1, stretch.first) &&
           belongs(stretch.first - 1, outwards_first(stretch.first - 1))) {
      --stretch.first;
    }
    while (stretch.last + 1 < p_.size() && t_[stretch.last + 1] <= to_s &&
           usable(stretch.last + 1, stretch.last) &&
           belongs(stretch.last + 1, outwards_last(stretch.last + 1))) {
      ++stretch.last;
    }
  }

  // A regulator that overshoots may stand for a moment close to where it settles.
  static bool OnTheWay(const SteadyStretch& brief, const SteadyStretch& next) {
    const double brief_s = brief.t1_s - brief.t0_s, next_s = next.t1_s - next.t0_s;
    const double off = std::abs(brief.mean_bar - next.mean_bar) / next.mean_bar;
    return brief_s <= kBriefShare * next_s &&
           ((brief_s <= kBriefS && off <= kNearLevel) || (brief_s <= kVeryBriefS && off <= kNotFar));
  }

  // One level with a short dip in it is one point, and rows belong to one stretch only.
  void Join(std::vector<SteadyStretch>& found, bool drop_brief) const {
    std::vector<SteadyStretch> joined;
    for (const SteadyStretch& next : found) {
      if (joined.empty()) {
        joined.push_back(next);
        continue;
      }
      SteadyStretch& last = joined.back();
      const bool near = next.t0_s - last.t1_s <= std::max(kJoinS, 6.0 * step_s_);
      const bool short_gap = next.t0_s - last.t1_s <= std::max(kDipS, 6.0 * step_s_);
      const double tolerance =
          std::max((short_gap ? 1.0 : 0.5) * options_.same_level * last.mean_bar, 1.5 * resolution_);
      SteadyStretch both = last;
      both.last = std::max(last.last, next.last);
      bool open = true;
      for (std::size_t i = last.last; i <= next.first; ++i) open = open && active_[i];
      if (near && open && std::abs(next.mean_bar - last.mean_bar) <= tolerance &&
          Describe(t_, p_, options_, options_.max_drift, both)) {
        last = both;
        continue;
      }
      if (drop_brief && open && next.t0_s - last.t1_s <= kSettlingS && OnTheWay(last, next)) {
        last = next;
        continue;
      }
      SteadyStretch cut = next;
      if (cut.first <= last.last) cut.first = last.last + 1;
      if (cut.first != next.first &&
          (cut.first >= cut.last || t_[cut.last] - t_[cut.first] + step_s_ < options_.min_duration_s - 1e-9 ||
           !Describe(t_, p_, options_, options_.max_drift, cut)))
        continue;
      joined.push_back(cut);
    }
    found = std::move(joined);
  }

  bool Keep(const Bins& run, std::size_t first, std::size_t last, double noise, double max_drift,
            std::vector<SteadyStretch>& found) const {
    Trim(run, first, last, noise);
    SteadyStretch stretch;
    stretch.first = run.first[first];
    stretch.last = run.last[last];
    SetEdges(stretch);
    // A row stands for the interval to the next one.
    if (t_[stretch.last] - t_[stretch.first] + step_s_ < options_.min_duration_s - 1e-9) return false;
    if (!Describe(t_, p_, options_, max_drift, stretch)) return false;
    found.push_back(stretch);
    return true;
  }

  const std::vector<double>& t_;
  const std::vector<double>& p_;
  const std::vector<double>& flow_;
  const SteadyOptions& options_;
  double step_s_;
  double resolution_;
  std::vector<bool> active_;
};

}  // namespace

std::string SteadyOptions::InWords() const {
  return fmt::format(
      "steady: at least {:g} s and {} rows above {:g} bar and {:g} % of the highest pressure and {:g} % of "
      "the highest "
      "flow, drift up to {:g} % and scatter up to {:g} % of the mean; levels closer than {:g} % are one "
      "point",
      min_duration_s, min_rows, zero_bar, 100 * zero_share, 100 * zero_flow_share, 100 * max_drift,
      100 * max_scatter, 100 * same_level);
}

std::vector<SteadyStretch> FindSteadyStretches(const std::vector<double>& time_s,
                                               const std::vector<double>& pressure_bar,
                                               const std::vector<double>& flow,
                                               const SteadyOptions& options) {
  if (time_s.size() != pressure_bar.size() || (!flow.empty() && flow.size() != time_s.size())) {
    throw std::logic_error("FindSteadyStretches: columns differ in length");
  }
  if (time_s.size() < 2) return {};
  for (std::size_t i = 1; i < time_s.size(); ++i) {
    if (!(time_s[i] > time_s[i - 1])) throw std::logic_error("FindSteadyStretches: time does not rise");
  }
  return Finder(time_s, pressure_bar, flow, options).Find();
}

}  // namespace conebook::src
