#include "calib/plate_match_model.h"

#include <algorithm>
#include <cmath>
#include <map>
#include <numbers>

namespace conebook::calib {
namespace {

double Squared(const MatchModel::Features& v) {
  double squares = 0.0;
  for (const double x : v) squares += x * x;
  return squares;
}

double Radians(double degrees) {
  return degrees * std::numbers::pi / 180.0;
}

}  // namespace

MatchModel::MatchModel(const MatchProblem& problem, const std::vector<ElementValues>& values)
    : elements_(static_cast<int>(problem.elements.size())),
      groups_(static_cast<int>(problem.targets.size())),
      circuits_(problem.targets.front().flow_area_mm2.size()) {
  const MatchTerms terms = TermsOf(problem);
  const MatchWeights& w = problem.weights;
  const MatchScales& scale = problem.scales;
  const double per_circuit = 1.0 / std::sqrt(static_cast<double>(circuits_));
  const double flow_weight = std::sqrt(w.flow) * per_circuit / scale.flow_percent;
  const bool has_flow = w.flow > 0.0;
  features_ = (has_flow ? circuits_ : 0) + (terms.angle ? 1 : 0) + (terms.ratio ? 1 : 0);
  admitted_.assign(problem.elements.size() * problem.targets.size(), false);
  feature_.assign(admitted_.size(), Features{});
  deviation_.assign(admitted_.size() * circuits_, 0.0);
  for (int e = 0; e < elements_; ++e) {
    const MatchElement& element = problem.elements[static_cast<std::size_t>(e)];
    const ElementValues& value = values[static_cast<std::size_t>(e)];
    for (int g = 0; g < groups_; ++g) {
      if (!element.admitted[static_cast<std::size_t>(g)]) continue;
      admitted_[At(e, g)] = true;
      const GroupTarget& target = problem.targets[static_cast<std::size_t>(g)];
      Features& feature = feature_[At(e, g)];
      std::size_t k = 0;
      for (std::size_t c = 0; c < circuits_; ++c) {
        const double d = 100.0 * (value.flow_area_mm2[c] / target.flow_area_mm2[c] - 1.0);
        deviation_[At(e, g) * circuits_ + c] = d * per_circuit / scale.flow_percent;
        if (has_flow) feature[k++] = d * flow_weight;
      }
      if (terms.angle)
        feature[k++] = (value.angle_deg - target.angle_deg) * std::sqrt(w.angle) / scale.angle_deg;
      if (terms.ratio)
        feature[k++] = 100.0 *
                       (value.flow_area_mm2[0] / value.flow_area_mm2[1] * target.flow_area_mm2[1] /
                            target.flow_area_mm2[0] -
                        1.0) *
                       std::sqrt(w.circuit_ratio) / scale.ratio_percent;
    }
  }
  const auto n = static_cast<double>(problem.sites.size());
  std::map<int, std::vector<std::size_t>> rings;
  for (std::size_t s = 0; s < problem.sites.size(); ++s) {
    group_.push_back(problem.sites[s].group);
    rings[problem.sites[s].ring].push_back(s);
  }
  ring_.resize(problem.sites.size());
  basis_.assign(problem.sites.size() * 2, Complex());
  for (const auto& [name, members] : rings) {
    const auto in_ring = static_cast<double>(members.size());
    for (const int k : {1, 2}) {
      const double weight = k == 1 ? w.first_harmonic : w.second_harmonic;
      if (in_ring < 2.0 * k || weight == 0.0) continue;
      const double factor = std::sqrt(weight * in_ring / n) * (in_ring == 2.0 * k ? 1.0 : 2.0) / in_ring;
      Complex mean;
      for (const std::size_t s : members)
        mean += std::polar(1.0 / in_ring, k * Radians(problem.sites[s].angle_deg));
      for (const std::size_t s : members)
        basis_[s * 2 + static_cast<std::size_t>(k - 1)] =
            factor * (std::polar(1.0, k * Radians(problem.sites[s].angle_deg)) - mean);
    }
    for (const std::size_t s : members) ring_[s] = rings_;
    ++rings_;
  }
  turn_.assign(problem.sites.size(), Complex());
  lean_.assign(problem.elements.size(), Complex());
  if (!terms.lean) return;
  for (std::size_t s = 0; s < problem.sites.size(); ++s)
    turn_[s] = std::polar(std::sqrt(w.lean) / scale.lean_deg / n, Radians(*problem.sites[s].mark_deg));
  for (std::size_t e = 0; e < problem.elements.size(); ++e)
    lean_[e] = Complex(values[e].lean_x_deg, values[e].lean_y_deg);
}

MatchModel::State MatchModel::Empty() const {
  State state;
  state.placed.assign(group_.size(), -1);
  state.waves.assign(static_cast<std::size_t>(rings_) * 2 * circuits_, Complex());
  return state;
}

void MatchModel::Put(State& state, int site, int element, double sign) const {
  const auto s = static_cast<std::size_t>(site);
  const std::size_t at = At(element, group_[s]);
  for (std::size_t k = 0; k < kMostFeatures; ++k) state.sum[k] += sign * feature_[at][k];
  state.squares += sign * Squared(feature_[at]);
  for (std::size_t k = 0; k < 2; ++k)
    for (std::size_t c = 0; c < circuits_; ++c)
      state.waves[WaveAt(ring_[s], k, c)] += sign * deviation_[at * circuits_ + c] * basis_[s * 2 + k];
  state.lean += sign * lean_[static_cast<std::size_t>(element)] * turn_[s];
  state.placed[s] = sign > 0.0 ? element : -1;
}

double MatchModel::WavesSquared(const State& state, int ring) const {
  double squares = 0.0;
  for (std::size_t k = 0; k < 2; ++k)
    for (std::size_t c = 0; c < circuits_; ++c) squares += std::norm(state.waves[WaveAt(ring, k, c)]);
  return squares;
}

MatchModel::State MatchModel::Of(const std::vector<int>& placed) const {
  State state = Empty();
  for (int s = 0; s < Sites(); ++s) Put(state, s, placed[static_cast<std::size_t>(s)], 1.0);
  for (int r = 0; r < rings_; ++r) state.waves_squared += WavesSquared(state, r);
  return state;
}

double MatchModel::Spread(const Features& sum, double squares, int filled) const {
  if (filled < 2) return 0.0;
  return std::max(0.0, squares - Squared(sum) / filled) / std::max(1, Sites() - 1);
}

double MatchModel::SpreadSoFar(const State& state, int filled) const {
  return Spread(state.sum, state.squares, filled);
}

double MatchModel::Score2(const State& state) const {
  return Spread(state.sum, state.squares, Sites()) + state.waves_squared + std::norm(state.lean);
}

double MatchModel::Score2After(const State& state, std::span<const Change> changes) const {
  Features sum = state.sum;
  double squares = state.squares;
  double waves = state.waves_squared;
  Complex lean = state.lean;
  const bool one_ring = changes.size() == 2 && RingOf(changes[0].site) == RingOf(changes[1].site);
  std::array<Complex, 4> moved{};  // of the ring at hand: by harmonic and circuit
  for (std::size_t i = 0; i < changes.size(); ++i) {
    const auto s = static_cast<std::size_t>(changes[i].site);
    const int before = state.placed[s], after = changes[i].element;
    const std::size_t out = At(before, group_[s]), in = At(after, group_[s]);
    for (std::size_t k = 0; k < features_; ++k) {
      const double a = feature_[out][k], b = feature_[in][k];
      sum[k] += b - a;
      squares += b * b - a * a;
    }
    lean += (lean_[static_cast<std::size_t>(after)] - lean_[static_cast<std::size_t>(before)]) * turn_[s];
    if (!one_ring || i == 0) moved = {};
    for (std::size_t k = 0; k < 2; ++k)
      for (std::size_t c = 0; c < circuits_; ++c)
        moved[k * 2 + c] +=
            (deviation_[in * circuits_ + c] - deviation_[out * circuits_ + c]) * basis_[s * 2 + k];
    if (one_ring && i == 0) continue;
    for (std::size_t k = 0; k < 2; ++k) {
      for (std::size_t c = 0; c < circuits_; ++c) {
        const Complex& was = state.waves[WaveAt(ring_[s], k, c)];
        waves += std::norm(was + moved[k * 2 + c]) - std::norm(was);
      }
    }
  }
  return Spread(sum, squares, Sites()) + waves + std::norm(lean);
}

void MatchModel::Apply(State& state, std::span<const Change> changes) const {
  for (const Change& change : changes)
    Put(state, change.site, state.placed[static_cast<std::size_t>(change.site)], -1.0);
  for (const Change& change : changes) Put(state, change.site, change.element, 1.0);
  state.waves_squared = 0.0;
  for (int r = 0; r < rings_; ++r) state.waves_squared += WavesSquared(state, r);
}

}  // namespace conebook::calib
