// The score of calib/plate_match.h in a form in which one change is cheap to try: sums over sites instead of
// the sites themselves. For search; what is reported is Measure's.
#pragma once

#include <array>
#include <complex>
#include <cstddef>
#include <span>
#include <vector>

#include "calib/plate_match.h"

namespace conebook::calib {

class MatchModel {
 public:
  using Complex = std::complex<double>;
  static constexpr std::size_t kMostFeatures = 4;  // flow of two circuits, angle, ratio
  using Features = std::array<double, kMostFeatures>;

  // values as of Measure.
  MatchModel(const MatchProblem& problem, const std::vector<ElementValues>& values);

  struct State {
    std::vector<int> placed;  // by site; -1: empty
    Features sum{};
    double squares = 0.0;
    std::vector<Complex> waves;  // by ring, harmonic, circuit
    double waves_squared = 0.0;
    Complex lean;
  };
  struct Change {
    int site = 0, element = 0;
  };

  State Empty() const;
  State Of(const std::vector<int>& placed) const;  // every site filled
  double Score2(const State& state) const;
  // With one or two sites changed (two different ones).
  double Score2After(const State& state, std::span<const Change> changes) const;
  void Apply(State& state, std::span<const Change> changes) const;

  // Of what is placed so far, squares about its own mean, over N - 1: can only grow with every further site.
  double SpreadSoFar(const State& state, int filled) const;
  void Put(State& state, int site, int element, double sign) const;  // waves_squared is left as it was
  double WavesSquared(const State& state, int ring) const;

  int Sites() const { return static_cast<int>(group_.size()); }
  int Elements() const { return elements_; }
  int Groups() const { return groups_; }
  int Rings() const { return rings_; }
  std::size_t FeatureCount() const { return features_; }
  int GroupOf(int site) const { return group_[static_cast<std::size_t>(site)]; }
  int RingOf(int site) const { return ring_[static_cast<std::size_t>(site)]; }
  bool Admits(int group, int element) const { return admitted_[At(element, group)]; }
  const Features& FeaturesOf(int element, int group) const { return feature_[At(element, group)]; }

 private:
  std::size_t At(int element, int group) const {
    return static_cast<std::size_t>(element) * static_cast<std::size_t>(groups_) +
           static_cast<std::size_t>(group);
  }
  std::size_t WaveAt(int ring, std::size_t k, std::size_t circuit) const {
    return (static_cast<std::size_t>(ring) * 2 + k) * circuits_ + circuit;
  }
  double Spread(const Features& sum, double squares, int filled) const;

  int elements_ = 0, groups_ = 0, rings_ = 0;
  std::size_t features_ = 0, circuits_ = 0;
  std::vector<int> group_, ring_;     // by site
  std::vector<bool> admitted_;        // by element and group
  std::vector<Features> feature_;     // by element and group, in parts of the score
  std::vector<double> deviation_;     // by element, group and circuit, in parts of the score
  std::vector<Complex> basis_;        // by site and harmonic
  std::vector<Complex> lean_, turn_;  // by element, by site
};

}  // namespace conebook::calib
