#include "calib/plate_match_search.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <map>
#include <random>
#include <stdexcept>

#include <fmt/core.h>

#include "calib/plate_match_bound.h"
#include "calib/plate_match_model.h"

namespace conebook::calib {
namespace {

using Change = MatchModel::Change;
using State = MatchModel::State;

constexpr double kSame2 = 1e-13;  // moves that gain less are rounding

// Distinct choices come by, at most so many.
class Pool {
 public:
  Pool(const MatchModel& model, std::size_t most) : model_(model), most_(most) {}

  void Add(const State& state, double score2) {
    std::vector<int> choice;
    choice.reserve(state.placed.size());
    for (int s = 0; s < model_.Sites(); ++s)
      choice.push_back(state.placed[static_cast<std::size_t>(s)] * model_.Groups() + model_.GroupOf(s));
    std::sort(choice.begin(), choice.end());
    const auto [at, is_new] = choices_.try_emplace(std::move(choice), score2, state.placed);
    if (!is_new) {
      if (score2 < at->second.first) at->second = {score2, state.placed};
      return;
    }
    if (choices_.size() <= 2 * most_) return;
    // Halve it, the worse half out.
    std::vector<double> scores;
    for (const auto& [key, value] : choices_) scores.push_back(value.first);
    std::nth_element(scores.begin(), scores.begin() + static_cast<std::ptrdiff_t>(most_), scores.end());
    std::erase_if(choices_, [&](const auto& item) { return item.second.first > scores[most_]; });
  }

  std::vector<MatchChoice> Sorted() const {
    std::vector<MatchChoice> sorted;
    for (const auto& [key, value] : choices_) sorted.push_back({value.second, std::sqrt(value.first)});
    std::stable_sort(sorted.begin(), sorted.end(),
                     [](const MatchChoice& a, const MatchChoice& b) { return a.score < b.score; });
    return sorted;
  }

 private:
  const MatchModel& model_;
  std::size_t most_;
  std::map<std::vector<int>, std::pair<double, std::vector<int>>> choices_;
};

class Search {
 public:
  Search(const MatchModel& model, const MatchSearchOptions& options)
      : model_(model),
        options_(options),
        random_(options.seed),
        pool_(model, static_cast<std::size_t>(options.most_others) + 1) {
    for (int e = 0; e < model.Elements(); ++e) {
      bool any = false;
      for (int g = 0; g < model.Groups(); ++g) any = any || model.Admits(g, e);
      if (any) stock_.push_back(e);
    }
  }

  bool Spent() const { return moves_ >= limit_; }
  void Allow(std::int64_t more) { limit_ = moves_ + more; }
  std::int64_t Moves() const { return moves_; }
  std::int64_t Nodes() const { return nodes_; }
  double Best2() const { return best2_; }
  std::vector<MatchChoice> Choices() const { return pool_.Sorted(); }

  // Until no single move helps, or the moves are spent.
  void Descend(State& state, bool from_stock = true) {
    std::vector<bool> used(static_cast<std::size_t>(model_.Elements()), false);
    for (const int e : state.placed) used[static_cast<std::size_t>(e)] = true;
    double score2 = model_.Score2(state);
    bool better = true;
    while (better && !Spent()) {
      better = false;
      for (int a = 0; a < model_.Sites() && !Spent(); ++a) {
        const int at_a = state.placed[static_cast<std::size_t>(a)];
        double least = score2 - kSame2 * (1.0 + score2);
        std::array<Change, 2> move{};
        std::size_t length = 0;
        const auto attempt = [&](const std::array<Change, 2>& changes, std::size_t count) {
          ++moves_;
          const double after = model_.Score2After(state, {changes.data(), count});
          if (!(after < least)) return;
          least = after;
          move = changes;
          length = count;
        };
        for (int b = 0; b < model_.Sites(); ++b) {
          const int at_b = state.placed[static_cast<std::size_t>(b)];
          if (b == a || !model_.Admits(model_.GroupOf(a), at_b) || !model_.Admits(model_.GroupOf(b), at_a))
            continue;
          attempt({Change{a, at_b}, Change{b, at_a}}, 2);
        }
        if (from_stock)
          for (const int e : stock_)
            if (!used[static_cast<std::size_t>(e)] && model_.Admits(model_.GroupOf(a), e))
              attempt({Change{a, e}, Change{}}, 1);
        if (length == 0) continue;
        if (length == 1) {
          used[static_cast<std::size_t>(at_a)] = false;
          used[static_cast<std::size_t>(move[0].element)] = true;
        }
        model_.Apply(state, {move.data(), length});
        score2 = model_.Score2(state);
        better = true;
      }
    }
    Note(state);
  }

  void Note(const State& state) {
    const double score2 = model_.Score2(state);
    pool_.Add(state, score2);
    if (score2 < best2_) {
      best2_ = score2;
      best_ = state;
    }
  }

  // Sites of a choice filled in one of many orders.
  State Placed(const std::vector<int>& choice) {
    std::vector<std::vector<int>> members(static_cast<std::size_t>(model_.Groups()));
    for (int e = 0; e < model_.Elements(); ++e)
      if (const int g = choice[static_cast<std::size_t>(e)]; g >= 0)
        members[static_cast<std::size_t>(g)].push_back(e);
    for (std::vector<int>& group : members)
      for (std::size_t i = group.size(); i > 1; --i) std::swap(group[i - 1], group[Draw(i)]);
    std::vector<int> placed;
    for (int s = 0; s < model_.Sites(); ++s) {
      std::vector<int>& group = members[static_cast<std::size_t>(model_.GroupOf(s))];
      placed.push_back(group.back());
      group.pop_back();
    }
    return model_.Of(placed);
  }

  // Shakes the best and goes down again, as long as there are moves and something may be gained.
  void Shake(double good_enough2) {
    while (!Spent() && best2_ > good_enough2) {
      State state = best_;
      const int kicks = 2 + static_cast<int>(Draw(3));
      for (int k = 0; k < kicks; ++k) Kick(state);
      Descend(state);
      if (model_.Sites() < 2) return;
    }
  }

  // The neighbours of the best, one element taken from the stock for one of its own: each well placed.
  void Neighbours(std::size_t most) {
    struct Neighbour {
      double score2;
      Change change;
    };
    std::vector<Neighbour> neighbours;
    std::vector<bool> used(static_cast<std::size_t>(model_.Elements()), false);
    for (const int e : best_.placed) used[static_cast<std::size_t>(e)] = true;
    for (int s = 0; s < model_.Sites(); ++s)
      for (const int e : stock_)
        if (!used[static_cast<std::size_t>(e)] && model_.Admits(model_.GroupOf(s), e)) {
          const Change change{s, e};
          neighbours.push_back({model_.Score2After(best_, {&change, 1}), change});
        }
    std::stable_sort(neighbours.begin(), neighbours.end(),
                     [](const Neighbour& a, const Neighbour& b) { return a.score2 < b.score2; });
    if (neighbours.size() > most) neighbours.resize(most);
    const State middle = best_;
    for (const Neighbour& neighbour : neighbours) {
      State state = middle;
      model_.Apply(state, {&neighbour.change, 1});
      Descend(state, false);
      Note(state);
    }
  }

  // True where every arrangement was looked at, or passed over for good reason.
  bool Exhaust() {
    if (options_.exact_nodes <= 0) return false;
    // How many there are, at most; of many more than can be looked at, passing over does not save enough.
    constexpr double kHopeless = 1e3;
    double arrangements = 1.0;
    for (int s = 0; s < model_.Sites(); ++s)
      arrangements *= static_cast<double>(static_cast<int>(stock_.size()) - s);
    if (arrangements > kHopeless * static_cast<double>(options_.exact_nodes)) return false;
    std::vector<bool> used(static_cast<std::size_t>(model_.Elements()), false);
    State state = model_.Empty();
    std::vector<int> last_of_ring(static_cast<std::size_t>(model_.Rings()), 0);
    order_.clear();
    for (int r = 0; r < model_.Rings(); ++r)
      for (int s = 0; s < model_.Sites(); ++s)
        if (model_.RingOf(s) == r) order_.push_back(s);
    return Fill(0, 0.0, state, used);
  }

 private:
  std::size_t Draw(std::size_t below) { return static_cast<std::size_t>(random_()) % below; }

  void Kick(State& state) {
    const int a = static_cast<int>(Draw(static_cast<std::size_t>(model_.Sites())));
    const int at_a = state.placed[static_cast<std::size_t>(a)];
    const int e = stock_[Draw(stock_.size())];
    const auto there = std::find(state.placed.begin(), state.placed.end(), e);
    if (!model_.Admits(model_.GroupOf(a), e) || e == at_a) return;
    if (there == state.placed.end()) {
      const Change change{a, e};
      model_.Apply(state, {&change, 1});
      return;
    }
    const int b = static_cast<int>(there - state.placed.begin());
    if (!model_.Admits(model_.GroupOf(b), at_a)) return;
    const std::array<Change, 2> swap{Change{a, e}, Change{b, at_a}};
    model_.Apply(state, swap);
  }

  bool Fill(int depth, double waves, State& state, std::vector<bool>& used) {
    if (depth == model_.Sites()) {
      state.waves_squared = waves;
      if (model_.Score2(state) < best2_ - kSame2) Note(model_.Of(state.placed));
      return true;
    }
    const int site = order_[static_cast<std::size_t>(depth)];
    const int ring = model_.RingOf(site);
    const bool ends_ring =
        depth + 1 == model_.Sites() || model_.RingOf(order_[static_cast<std::size_t>(depth) + 1]) != ring;
    for (const int e : stock_) {
      if (used[static_cast<std::size_t>(e)] || !model_.Admits(model_.GroupOf(site), e)) continue;
      if (++nodes_ > options_.exact_nodes) return false;
      model_.Put(state, site, e, 1.0);
      used[static_cast<std::size_t>(e)] = true;
      const double with_ring = waves + (ends_ring ? model_.WavesSquared(state, ring) : 0.0);
      // What is filled so far can only get worse.
      const bool hopeful = model_.SpreadSoFar(state, depth + 1) + with_ring < best2_ - kSame2;
      const bool all = !hopeful || Fill(depth + 1, with_ring, state, used);
      used[static_cast<std::size_t>(e)] = false;
      model_.Put(state, site, e, -1.0);
      if (!all) return false;
    }
    return true;
  }

  const MatchModel& model_;
  const MatchSearchOptions& options_;
  std::mt19937 random_;
  Pool pool_;
  std::vector<int> stock_, order_;
  std::int64_t moves_ = 0, nodes_ = 0, limit_ = options_.most_moves;
  double best2_ = std::numeric_limits<double>::infinity();
  State best_;
};

}  // namespace

std::optional<std::string> MatchSearchOptions::Problem() const {
  if (most_moves < 0) return fmt::format("most_moves {}: must not be negative", most_moves);
  if (most_boxes < 1) return fmt::format("most_boxes {}: must be 1 or more", most_boxes);
  if (starts < 1) return fmt::format("starts {}: must be 1 or more", starts);
  if (most_others < 0) return fmt::format("most_others {}: must not be negative", most_others);
  if (!(gap >= 0.0 && gap < 1.0)) return fmt::format("gap {:g}: must be 0 or more and below 1", gap);
  return std::nullopt;
}

MatchAnswer FindMatch(const MatchProblem& problem, const MatchSearchOptions& options) {
  if (const auto bad = options.Problem()) throw std::logic_error("FindMatch: " + *bad);
  if (const auto bad = ProblemOf(problem)) throw std::logic_error("FindMatch: " + *bad);
  if (ShortageOf(problem)) throw std::logic_error("FindMatch: a group cannot be filled");
  const MatchModel model(problem, ValuesOf(problem));
  const SpreadBound spread = BoundSpread(model, options.most_boxes, options.gap, options.starts);
  Search search(model, options);
  if (const auto sorted = SortedByFlow(problem)) {
    State state = model.Of(*sorted);
    search.Note(state);
    search.Descend(state);
  }
  for (const std::vector<int>& choice : spread.choices) {
    if (search.Spent()) break;
    State state = search.Placed(choice);
    search.Note(state);
    search.Descend(state);
  }
  search.Shake(spread.bound2 * (1.0 + 2.0 * options.gap));
  MatchAnswer answer;
  answer.exact = search.Exhaust();
  if (options.most_others > 0) {
    search.Allow(options.most_moves / 4);
    search.Neighbours(static_cast<std::size_t>(options.most_others));
  }
  answer.moves = search.Moves();
  answer.nodes = search.Nodes();
  std::vector<MatchChoice> choices = search.Choices();
  answer.best = choices.front();
  answer.best.score = Measure(problem, ValuesOf(problem), answer.best.placed).score;
  choices.erase(choices.begin());
  if (choices.size() > static_cast<std::size_t>(options.most_others))
    choices.resize(static_cast<std::size_t>(options.most_others));
  answer.others = std::move(choices);
  answer.bound = answer.exact ? answer.best.score : std::min(answer.best.score, std::sqrt(spread.bound2));
  return answer;
}

}  // namespace conebook::calib
