#include "calib/plate_match.h"

#include <algorithm>
#include <cmath>
#include <complex>
#include <map>
#include <numbers>
#include <numeric>

#include <fmt/core.h>

namespace conebook::calib {
namespace {

using Complex = std::complex<double>;

bool AdmittedAnywhere(const MatchElement& element) {
  return std::find(element.admitted.begin(), element.admitted.end(), true) != element.admitted.end();
}

double Radians(double degrees) {
  return degrees * std::numbers::pi / 180.0;
}

double Spread(const std::vector<double>& values) {
  if (values.size() < 2) return 0.0;
  const auto n = static_cast<double>(values.size());
  const double mean = std::accumulate(values.begin(), values.end(), 0.0) / n;
  double squares = 0.0;
  for (const double value : values) squares += (value - mean) * (value - mean);
  return std::sqrt(squares / (n - 1.0));
}

double DeviationPercent(double value, double target) {
  return 100.0 * (value / target - 1.0);
}

// Mean over sites of the squared k-th harmonic of each site's ring; d: one a site.
double HarmonicSquared(const MatchProblem& problem, const std::vector<double>& d, int k) {
  std::map<int, std::vector<std::size_t>> rings;
  for (std::size_t s = 0; s < problem.sites.size(); ++s) rings[problem.sites[s].ring].push_back(s);
  double mean = 0.0;
  for (const auto& [ring, members] : rings) {
    const auto n = static_cast<double>(members.size());
    if (n < 2.0 * k) continue;
    double level = 0.0;
    for (const std::size_t s : members) level += d[s] / n;
    Complex sum;
    for (const std::size_t s : members)
      sum += (d[s] - level) * std::polar(1.0, k * Radians(problem.sites[s].angle_deg));
    const double amplitude = (n == 2.0 * k ? 1.0 : 2.0) / n * std::abs(sum);
    mean += n / static_cast<double>(problem.sites.size()) * amplitude * amplitude;
  }
  return mean;
}

// Neighbours in the list sorted by flow, for each group some: those that together spread least.
class WindowSearch {
 public:
  explicit WindowSearch(const MatchProblem& problem)
      : problem_(problem), chosen_(problem.targets.size()), used_(problem.elements.size(), false) {
    for (std::size_t i = 0; i < problem.elements.size(); ++i)
      if (AdmittedAnywhere(problem.elements[i])) sorted_.push_back(static_cast<int>(i));
    std::stable_sort(sorted_.begin(), sorted_.end(), [&](int a, int b) { return Flow(a) < Flow(b); });
  }

  std::optional<std::vector<int>> Best() {
    Try(0, 0.0, 0.0);
    if (best_.empty()) return std::nullopt;
    std::vector<int> placed;
    std::vector<std::size_t> next(best_.size(), 0);
    for (const PlateSite& site : problem_.sites) {
      const auto g = static_cast<std::size_t>(site.group);
      placed.push_back(best_[g][next[g]++]);
    }
    return placed;
  }

 private:
  double Flow(int i) const {
    return problem_.elements[static_cast<std::size_t>(i)].flow_area_mm2.front().value;
  }

  void Try(std::size_t group, double sum, double squares) {
    if (group == problem_.targets.size()) {
      const double spread = squares - sum * sum / static_cast<double>(problem_.sites.size());
      if (!best_.empty() && !(spread < least_)) return;
      least_ = spread;
      best_ = chosen_;
      return;
    }
    const auto wanted = static_cast<std::size_t>(
        std::count_if(problem_.sites.begin(), problem_.sites.end(),
                      [&](const PlateSite& site) { return site.group == static_cast<int>(group); }));
    std::vector<int> list;
    std::vector<double> off;
    for (const int i : sorted_) {
      if (used_[static_cast<std::size_t>(i)] ||
          !problem_.elements[static_cast<std::size_t>(i)].admitted[group])
        continue;
      list.push_back(i);
      off.push_back(DeviationPercent(Flow(i), problem_.targets[group].flow_area_mm2.front()));
    }
    for (std::size_t from = 0; from + wanted <= list.size(); ++from) {
      double more = 0.0, more_squares = 0.0;
      for (std::size_t k = from; k < from + wanted; ++k) {
        more += off[k];
        more_squares += off[k] * off[k];
      }
      const auto first = list.begin() + static_cast<std::ptrdiff_t>(from);
      chosen_[group].assign(first, first + static_cast<std::ptrdiff_t>(wanted));
      for (const int i : chosen_[group]) used_[static_cast<std::size_t>(i)] = true;
      Try(group + 1, sum + more, squares + more_squares);
      for (const int i : chosen_[group]) used_[static_cast<std::size_t>(i)] = false;
      if (wanted == 0) return;
    }
  }

  const MatchProblem& problem_;
  std::vector<int> sorted_;
  std::vector<std::vector<int>> chosen_, best_;
  std::vector<bool> used_;
  double least_ = 0.0;
};

}  // namespace

MatchTerms TermsOf(const MatchProblem& problem) {
  MatchTerms terms{problem.weights.angle > 0.0, problem.weights.circuit_ratio > 0.0,
                   problem.weights.lean > 0.0};
  for (const MatchElement& element : problem.elements) {
    if (!AdmittedAnywhere(element)) continue;
    terms.angle = terms.angle && element.angle_deg;
    terms.ratio = terms.ratio && element.flow_area_mm2.size() == 2;
    terms.lean = terms.lean && element.lean;
  }
  for (const PlateSite& site : problem.sites) terms.lean = terms.lean && site.mark_deg;
  return terms;
}

std::vector<ElementValues> ValuesOf(const MatchProblem& problem) {
  std::vector<ElementValues> values;
  values.reserve(problem.elements.size());
  for (const MatchElement& element : problem.elements) {
    ElementValues& value = values.emplace_back();
    for (const MatchReading& reading : element.flow_area_mm2) value.flow_area_mm2.push_back(reading.value);
    if (element.angle_deg) value.angle_deg = element.angle_deg->value;
    if (element.lean) {
      value.lean_x_deg = element.lean->x_deg;
      value.lean_y_deg = element.lean->y_deg;
    }
  }
  return values;
}

MatchMeasures Measure(const MatchProblem& problem, const std::vector<ElementValues>& values,
                      const std::vector<int>& placed) {
  const MatchTerms terms = TermsOf(problem);
  const MatchWeights& w = problem.weights;
  const MatchScales& scale = problem.scales;
  const std::size_t circuits = problem.targets.front().flow_area_mm2.size();
  MatchMeasures measures;
  double spread = 0.0, first = 0.0, second = 0.0;
  std::vector<std::vector<double>> d(circuits, std::vector<double>(placed.size()));
  for (std::size_t c = 0; c < circuits; ++c) {
    for (std::size_t s = 0; s < placed.size(); ++s)
      d[c][s] = DeviationPercent(
          values[static_cast<std::size_t>(placed[s])].flow_area_mm2[c],
          problem.targets[static_cast<std::size_t>(problem.sites[s].group)].flow_area_mm2[c]);
    const double one = Spread(d[c]);
    spread += one * one / static_cast<double>(circuits);
    first += HarmonicSquared(problem, d[c], 1) / static_cast<double>(circuits);
    second += HarmonicSquared(problem, d[c], 2) / static_cast<double>(circuits);
  }
  measures.flow_spread_percent = std::sqrt(spread);
  measures.first_harmonic_percent = std::sqrt(first);
  measures.second_harmonic_percent = std::sqrt(second);
  double score = (w.flow * spread + w.first_harmonic * first + w.second_harmonic * second) /
                 (scale.flow_percent * scale.flow_percent);
  std::vector<double> angles(placed.size()), ratios(placed.size());
  Complex lean;
  for (std::size_t s = 0; s < placed.size(); ++s) {
    const ElementValues& value = values[static_cast<std::size_t>(placed[s])];
    const GroupTarget& target = problem.targets[static_cast<std::size_t>(problem.sites[s].group)];
    angles[s] = value.angle_deg - target.angle_deg;
    if (terms.ratio)
      ratios[s] = DeviationPercent(value.flow_area_mm2[0] / value.flow_area_mm2[1],
                                   target.flow_area_mm2[0] / target.flow_area_mm2[1]);
    if (terms.lean)
      lean += Complex(value.lean_x_deg, value.lean_y_deg) *
              std::polar(1.0, Radians(*problem.sites[s].mark_deg)) / static_cast<double>(placed.size());
  }
  const auto add = [&](std::optional<double>& measure, double value, double weight, double one) {
    measure = value;
    score += weight * (value / one) * (value / one);
  };
  if (terms.angle) add(measures.angle_spread_deg, Spread(angles), w.angle, scale.angle_deg);
  if (terms.ratio) add(measures.ratio_spread_percent, Spread(ratios), w.circuit_ratio, scale.ratio_percent);
  if (terms.lean) add(measures.mean_lean_deg, std::abs(lean), w.lean, scale.lean_deg);
  measures.score = std::sqrt(score);
  return measures;
}

std::optional<MatchShortage> ShortageOf(const MatchProblem& problem) {
  // Hall's theorem: every set of groups needs as many elements admitted to one of them as it has sites.
  const std::size_t groups = problem.targets.size();
  std::optional<MatchShortage> worst;
  for (unsigned set = 1; set < (1U << groups); ++set) {
    MatchShortage here;
    for (std::size_t g = 0; g < groups; ++g)
      if ((set >> g & 1U) != 0U) here.groups.push_back(static_cast<int>(g));
    const auto in_set = [&](int g) { return (set >> static_cast<unsigned>(g) & 1U) != 0U; };
    for (const PlateSite& site : problem.sites) here.sites += in_set(site.group) ? 1 : 0;
    for (const MatchElement& element : problem.elements) {
      const bool any = std::any_of(here.groups.begin(), here.groups.end(),
                                   [&](int g) { return element.admitted[static_cast<std::size_t>(g)]; });
      here.admitted += any ? 1 : 0;
    }
    const int missing = here.sites - here.admitted;
    if (missing > 0 && (!worst || missing > worst->sites - worst->admitted)) worst = here;
  }
  return worst;
}

std::optional<std::vector<int>> SortedByFlow(const MatchProblem& problem) {
  return WindowSearch(problem).Best();
}

std::optional<std::string> ProblemOf(const MatchProblem& problem) {
  if (problem.sites.empty()) return "there are no sites";
  if (problem.targets.empty()) return "there is no group";
  const std::size_t circuits = problem.targets.front().flow_area_mm2.size();
  if (circuits < 1 || circuits > 2) return fmt::format("{} circuits; one or two can be matched", circuits);
  for (const GroupTarget& target : problem.targets) {
    if (target.flow_area_mm2.size() != circuits) return "targets are of different numbers of circuits";
    for (const double area : target.flow_area_mm2)
      if (!(area > 0.0)) return fmt::format("target flow area {:g}: must be above zero", area);
  }
  for (const PlateSite& site : problem.sites)
    if (site.group < 0 || site.group >= static_cast<int>(problem.targets.size()))
      return fmt::format("a site of group {}, of which there is no target", site.group);
  for (const MatchElement& element : problem.elements) {
    if (element.admitted.size() != problem.targets.size()) return "admitted is not one a group";
    if (!AdmittedAnywhere(element)) continue;
    if (element.flow_area_mm2.size() != circuits) return "an element has another number of circuits";
    for (const MatchReading& reading : element.flow_area_mm2)
      if (!(reading.value > 0.0)) return fmt::format("flow area {:g}: must be above zero", reading.value);
  }
  const MatchScales& s = problem.scales;
  for (const double scale : {s.flow_percent, s.angle_deg, s.ratio_percent, s.lean_deg})
    if (!(scale > 0.0)) return fmt::format("scale {:g}: must be above zero", scale);
  const MatchWeights& w = problem.weights;
  for (const double weight : {w.flow, w.angle, w.circuit_ratio, w.first_harmonic, w.second_harmonic, w.lean})
    if (!(weight >= 0.0)) return fmt::format("weight {:g}: must not be negative", weight);
  return std::nullopt;
}

}  // namespace conebook::calib
