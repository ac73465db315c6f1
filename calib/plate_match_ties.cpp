#include "calib/plate_match_ties.h"

#include <algorithm>
#include <cmath>
#include <map>
#include <numbers>
#include <random>

#include "calib/plate_match_model.h"

namespace conebook::calib {
namespace {

// Normal numbers that are the same with every library.
class Normal {
 public:
  explicit Normal(std::uint32_t seed) : random_(seed) {}
  double operator()() {
    if (kept_) {
      kept_ = false;
      return second_;
    }
    const double radius = std::sqrt(-2.0 * std::log(Uniform()));
    const double turn = 2.0 * std::numbers::pi * Uniform();
    second_ = radius * std::sin(turn);
    kept_ = true;
    return radius * std::cos(turn);
  }

 private:
  double Uniform() { return (static_cast<double>(random_()) + 0.5) / 4294967296.0; }

  std::mt19937 random_;
  bool kept_ = false;
  double second_ = 0.0;
};

// Readings of some elements with errors drawn in.
class Draws {
 public:
  Draws(const MatchProblem& problem, std::vector<int> involved, std::uint32_t seed)
      : problem_(problem), involved_(std::move(involved)), normal_(seed), values_(ValuesOf(problem)) {
    std::sort(involved_.begin(), involved_.end());
    involved_.erase(std::unique(involved_.begin(), involved_.end()), involved_.end());
    for (const int e : involved_) {
      const MatchElement& element = problem.elements[static_cast<std::size_t>(e)];
      for (const MatchReading& reading : element.flow_area_mm2) Register(reading);
      if (element.angle_deg) Register(*element.angle_deg);
    }
  }

  const std::vector<ElementValues>& Next() {
    for (auto& [error, drawn] : errors_) drawn = normal_();
    for (const int e : involved_) {
      const MatchElement& element = problem_.elements[static_cast<std::size_t>(e)];
      ElementValues& value = values_[static_cast<std::size_t>(e)];
      for (std::size_t c = 0; c < element.flow_area_mm2.size(); ++c)
        value.flow_area_mm2[c] = Drawn(element.flow_area_mm2[c]);
      if (element.angle_deg) value.angle_deg = Drawn(*element.angle_deg);
      if (element.lean) {
        value.lean_x_deg = element.lean->x_deg + element.lean->own_u_deg * normal_();
        value.lean_y_deg = element.lean->y_deg + element.lean->own_u_deg * normal_();
      }
    }
    return values_;
  }

 private:
  void Register(const MatchReading& reading) {
    for (const SharedError& shared : reading.shared) errors_[shared.error] = 0.0;
  }
  double Drawn(const MatchReading& reading) {
    double value = reading.value + reading.own_u * normal_();
    for (const SharedError& shared : reading.shared) value += shared.share * errors_[shared.error];
    return value;
  }

  const MatchProblem& problem_;
  std::vector<int> involved_;
  Normal normal_;
  std::vector<ElementValues> values_;
  std::map<int, double> errors_;
};

// Mean and standard deviation as numbers come in.
struct Scatter {
  int n = 0;
  double mean = 0.0, squares = 0.0;
  void Add(double x) {
    ++n;
    const double off = x - mean;
    mean += off / n;
    squares += off * (x - mean);
  }
  double Deviation() const { return n > 1 ? std::sqrt(squares / (n - 1)) : 0.0; }
};

double Score(const MatchModel& model, const std::vector<int>& placed) {
  return std::sqrt(model.Score2(model.Of(placed)));
}

// Scores of one spare in place of each site's element, sites where it may not stand left out.
struct SpareScores {
  double sum = 0.0, worst = 0.0, best = 0.0;
  int sites = 0, best_site = 0;
  double Mean() const { return sum / std::max(1, sites); }
};
SpareScores ScoresOf(const MatchModel& model, const MatchModel::State& state, int element) {
  SpareScores scores;
  for (int s = 0; s < model.Sites(); ++s) {
    if (!model.Admits(model.GroupOf(s), element)) continue;
    const MatchModel::Change change{s, element};
    const double score = std::sqrt(std::max(0.0, model.Score2After(state, {&change, 1})));
    scores.sum += score;
    scores.worst = std::max(scores.worst, score);
    if (scores.sites == 0 || score < scores.best) {
      scores.best = score;
      scores.best_site = s;
    }
    ++scores.sites;
  }
  return scores;
}

}  // namespace

ExpectedMeasures Expect(const MatchProblem& problem, const std::vector<int>& placed,
                        const TieOptions& options) {
  Draws draws(problem, placed, options.seed);
  MatchMeasures sum;
  Scatter score;
  const auto add = [](std::optional<double>& to, const std::optional<double>& from) {
    if (from) to = to.value_or(0.0) + *from * *from;
  };
  for (int i = 0; i < options.draws; ++i) {
    const MatchMeasures one = Measure(problem, draws.Next(), placed);
    sum.flow_spread_percent += one.flow_spread_percent * one.flow_spread_percent;
    sum.first_harmonic_percent += one.first_harmonic_percent * one.first_harmonic_percent;
    sum.second_harmonic_percent += one.second_harmonic_percent * one.second_harmonic_percent;
    add(sum.angle_spread_deg, one.angle_spread_deg);
    add(sum.ratio_spread_percent, one.ratio_spread_percent);
    add(sum.mean_lean_deg, one.mean_lean_deg);
    sum.score += one.score * one.score;
    score.Add(one.score);
  }
  const auto root = [&](double squares) { return std::sqrt(squares / std::max(1, options.draws)); };
  ExpectedMeasures expected;
  MatchMeasures& m = expected.root_mean_square;
  m.flow_spread_percent = root(sum.flow_spread_percent);
  m.first_harmonic_percent = root(sum.first_harmonic_percent);
  m.second_harmonic_percent = root(sum.second_harmonic_percent);
  if (sum.angle_spread_deg) m.angle_spread_deg = root(*sum.angle_spread_deg);
  if (sum.ratio_spread_percent) m.ratio_spread_percent = root(*sum.ratio_spread_percent);
  if (sum.mean_lean_deg) m.mean_lean_deg = root(*sum.mean_lean_deg);
  m.score = root(sum.score);
  expected.u_score = score.Deviation();
  return expected;
}

std::vector<ScoreDifference> Differences(const MatchProblem& problem, const std::vector<int>& placed,
                                         const std::vector<std::vector<int>>& others,
                                         const TieOptions& options) {
  std::vector<int> involved = placed;
  for (const std::vector<int>& other : others) involved.insert(involved.end(), other.begin(), other.end());
  Draws draws(problem, std::move(involved), options.seed);
  std::vector<Scatter> scatter(others.size());
  for (int i = 0; i < options.draws; ++i) {
    const MatchModel model(problem, draws.Next());
    const double one = Score(model, placed);
    for (std::size_t k = 0; k < others.size(); ++k) scatter[k].Add(Score(model, others[k]) - one);
  }
  const MatchModel as_read(problem, ValuesOf(problem));
  const double one = Score(as_read, placed);
  std::vector<ScoreDifference> differences;
  for (std::size_t k = 0; k < others.size(); ++k)
    differences.push_back({Score(as_read, others[k]) - one, scatter[k].Deviation()});
  return differences;
}

std::vector<Spare> RankSpares(const MatchProblem& problem, const std::vector<int>& placed, int most,
                              const TieOptions& options) {
  const MatchModel as_read(problem, ValuesOf(problem));
  const MatchModel::State state = as_read.Of(placed);
  std::vector<Spare> spares;
  for (int e = 0; e < as_read.Elements(); ++e) {
    if (std::find(placed.begin(), placed.end(), e) != placed.end()) continue;
    const SpareScores scores = ScoresOf(as_read, state, e);
    if (scores.sites == 0) continue;
    Spare& spare = spares.emplace_back();
    spare.element = e;
    spare.sites = scores.sites;
    spare.mean_score = scores.Mean();
    spare.worst_score = scores.worst;
    spare.best_site = scores.best_site;
    spare.best_score = scores.best;
  }
  std::stable_sort(spares.begin(), spares.end(), [](const Spare& a, const Spare& b) {
    return a.sites != b.sites ? a.sites > b.sites : a.mean_score < b.mean_score;
  });
  if (most >= 0 && spares.size() > static_cast<std::size_t>(most))
    spares.resize(static_cast<std::size_t>(most));
  if (spares.empty()) return spares;
  std::vector<int> involved = placed;
  for (const Spare& spare : spares) involved.push_back(spare.element);
  Draws draws(problem, std::move(involved), options.seed);
  // Mean scores by draw and spare; a rank begins where one is behind its rank's first by more than u.
  std::vector<std::vector<double>> drawn(spares.size());
  for (int i = 0; i < options.draws; ++i) {
    const MatchModel model(problem, draws.Next());
    const MatchModel::State here = model.Of(placed);
    for (std::size_t k = 0; k < spares.size(); ++k)
      drawn[k].push_back(ScoresOf(model, here, spares[k].element).Mean());
  }
  const auto behind = [&](std::size_t k, std::size_t first) {
    Scatter scatter;
    for (std::size_t i = 0; i < drawn[k].size(); ++i) scatter.Add(drawn[k][i] - drawn[first][i]);
    return ScoreDifference{spares[k].mean_score - spares[first].mean_score, scatter.Deviation()};
  };
  std::size_t first_of_rank = 0;
  for (std::size_t k = 0; k < spares.size(); ++k) {
    spares[k].behind_first = behind(k, 0);
    if (spares[k].sites != spares[first_of_rank].sites || !behind(k, first_of_rank).Tied()) first_of_rank = k;
    spares[k].rank = static_cast<int>(first_of_rank) + 1;
  }
  return spares;
}

}  // namespace conebook::calib
