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
  std::vector<int> placed(problem.sites.size(), -1);
  std::vector<bool> used(problem.elements.size(), false);
  for (std::size_t g = 0; g < problem.targets.size(); ++g) {
    std::vector<std::size_t> sites;
    for (std::size_t s = 0; s < problem.sites.size(); ++s)
      if (problem.sites[s].group == static_cast<int>(g)) sites.push_back(s);
    std::vector<int> sorted;
    for (std::size_t i = 0; i < problem.elements.size(); ++i)
      if (problem.elements[i].admitted[g] && !used[i]) sorted.push_back(static_cast<int>(i));
    const auto flow = [&](int i) {
      return problem.elements[static_cast<std::size_t>(i)].flow_area_mm2.front().value;
    };
    std::stable_sort(sorted.begin(), sorted.end(), [&](int a, int b) { return flow(a) < flow(b); });
    if (sorted.size() < sites.size()) return std::nullopt;
    std::size_t best = 0;
    double best_spread = -1.0;
    for (std::size_t from = 0; from + sites.size() <= sorted.size(); ++from) {
      std::vector<double> window;
      for (std::size_t k = 0; k < sites.size(); ++k) window.push_back(flow(sorted[from + k]));
      const double spread = Spread(window);
      if (best_spread < 0.0 || spread < best_spread) {
        best_spread = spread;
        best = from;
      }
    }
    for (std::size_t k = 0; k < sites.size(); ++k) {
      placed[sites[k]] = sorted[best + k];
      used[static_cast<std::size_t>(sorted[best + k])] = true;
    }
  }
  return placed;
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
