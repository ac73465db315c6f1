#include "calib/plate_match_bound.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <map>
#include <queue>

namespace conebook::calib {
namespace {

using Features = MatchModel::Features;

struct Box {
  Features lo{}, hi{};
  double bound = 0.0;
  int number = 0;  // of equals, the older first
};

struct Later {
  bool operator()(const Box& a, const Box& b) const {
    return a.bound != b.bound ? a.bound > b.bound : a.number > b.number;
  }
};

struct Filling {
  double cost = 0.0;
  std::vector<int> group;  // by element; -1: not chosen
};

class Filler {
 public:
  explicit Filler(const MatchModel& model)
      : model_(model), wanted_(static_cast<std::size_t>(model.Groups())) {
    for (int s = 0; s < model.Sites(); ++s) ++wanted_[static_cast<std::size_t>(model.GroupOf(s))];
  }

  // Cheapest filling of the groups, cost as of (element, group).
  template <typename Cost>
  Filling Fill(const Cost& cost) const {
    const int n = model_.Elements(), groups = model_.Groups();
    Filling filling{0.0, std::vector<int>(static_cast<std::size_t>(n), -1)};
    std::vector<double> costs(static_cast<std::size_t>(n) * static_cast<std::size_t>(groups), kNever);
    const auto at = [&](int e, int g) -> double& {
      return costs[static_cast<std::size_t>(e) * static_cast<std::size_t>(groups) +
                   static_cast<std::size_t>(g)];
    };
    for (int e = 0; e < n; ++e)
      for (int g = 0; g < groups; ++g)
        if (model_.Admits(g, e)) at(e, g) = cost(e, g);
    if (groups == 1) {
      std::vector<int> order;
      for (int e = 0; e < n; ++e)
        if (model_.Admits(0, e)) order.push_back(e);
      const auto cut = order.begin() + wanted_[0];
      std::nth_element(order.begin(), cut - 1, order.end(),
                       [&](int a, int b) { return at(a, 0) != at(b, 0) ? at(a, 0) < at(b, 0) : a < b; });
      std::sort(order.begin(), cut);
      for (auto e = order.begin(); e != cut; ++e) {
        filling.cost += at(*e, 0);
        filling.group[static_cast<std::size_t>(*e)] = 0;
      }
      return filling;
    }
    for (int g = 0; g < groups; ++g)
      for (int k = 0; k < wanted_[static_cast<std::size_t>(g)]; ++k) filling.cost += Augment(g, at, filling);
    return filling;
  }

 private:
  static constexpr double kNever = std::numeric_limits<double>::infinity();

  // One more element for group `first`: free, or taken from another group that is given one in turn.
  template <typename At>
  double Augment(int first, const At& at, Filling& filling) const {
    const int n = model_.Elements(), groups = model_.Groups();
    const auto count = static_cast<std::size_t>(groups);
    // last[g]: the cheapest free element; step[g][h]: the cheapest that group h gives up to g.
    std::vector<int> last(count, -1), step(count * count, -1);
    const auto step_at = [&](int g, int h) -> int& {
      return step[static_cast<std::size_t>(g) * count + static_cast<std::size_t>(h)];
    };
    for (int e = 0; e < n; ++e) {
      const int in = filling.group[static_cast<std::size_t>(e)];
      for (int g = 0; g < groups; ++g) {
        if (at(e, g) == kNever || in == g) continue;
        if (in < 0) {
          int& best = last[static_cast<std::size_t>(g)];
          if (best < 0 || at(e, g) < at(best, g)) best = e;
        } else {
          int& best = step_at(g, in);
          if (best < 0 || at(e, g) - at(e, in) < at(best, g) - at(best, in)) best = e;
        }
      }
    }
    std::vector<double> from(count, kNever);
    std::vector<int> previous(count, -1);
    from[static_cast<std::size_t>(first)] = 0.0;
    for (int round = 0; round < groups; ++round) {
      for (int g = 0; g < groups; ++g) {
        if (from[static_cast<std::size_t>(g)] == kNever) continue;
        for (int h = 0; h < groups; ++h) {
          const int e = step_at(g, h);
          if (e < 0) continue;
          const double length = from[static_cast<std::size_t>(g)] + at(e, g) - at(e, h);
          if (length < from[static_cast<std::size_t>(h)] - 1e-12) {
            from[static_cast<std::size_t>(h)] = length;
            previous[static_cast<std::size_t>(h)] = g;
          }
        }
      }
    }
    int end = -1;
    double cheapest = kNever;
    for (int g = 0; g < groups; ++g) {
      const int e = last[static_cast<std::size_t>(g)];
      if (e < 0 || from[static_cast<std::size_t>(g)] == kNever) continue;
      const double length = from[static_cast<std::size_t>(g)] + at(e, g);
      if (length < cheapest) {
        cheapest = length;
        end = g;
      }
    }
    if (end < 0) return kNever;
    filling.group[static_cast<std::size_t>(last[static_cast<std::size_t>(end)])] = end;
    for (int h = end; h != first; h = previous[static_cast<std::size_t>(h)]) {
      const int g = previous[static_cast<std::size_t>(h)];
      filling.group[static_cast<std::size_t>(step_at(g, h))] = g;
    }
    return cheapest;
  }

  const MatchModel& model_;
  std::vector<int> wanted_;
};

double SquaresAbout(const MatchModel& model, const std::vector<int>& group) {
  Features sum{};
  double squares = 0.0;
  for (int e = 0; e < model.Elements(); ++e) {
    const int g = group[static_cast<std::size_t>(e)];
    if (g < 0) continue;
    const Features& v = model.FeaturesOf(e, g);
    for (std::size_t k = 0; k < model.FeatureCount(); ++k) {
      sum[k] += v[k];
      squares += v[k] * v[k];
    }
  }
  for (const double s : sum) squares -= s * s / model.Sites();
  return std::max(0.0, squares);
}

}  // namespace

SpreadBound BoundSpread(const MatchModel& model, int most_boxes, double gap, int most_choices) {
  const Filler filler(model);
  const std::size_t features = model.FeatureCount();
  const double per_site = 1.0 / std::max(1, model.Sites() - 1);
  SpreadBound result;
  std::map<std::vector<int>, double> found;
  double best = std::numeric_limits<double>::infinity();
  int number = 0;

  const auto examine = [&](Box& box) {
    Features centre{};
    double r2 = 0.0;
    for (std::size_t k = 0; k < features; ++k) {
      centre[k] = 0.5 * (box.lo[k] + box.hi[k]);
      r2 += 0.25 * (box.hi[k] - box.lo[k]) * (box.hi[k] - box.lo[k]);
    }
    const Filling at_centre = filler.Fill([&](int e, int g) {
      const Features& v = model.FeaturesOf(e, g);
      double d2 = 0.0;
      for (std::size_t k = 0; k < features; ++k) d2 += (v[k] - centre[k]) * (v[k] - centre[k]);
      return d2;
    });
    const double squares = SquaresAbout(model, at_centre.group);
    best = std::min(best, squares);
    found.emplace(at_centre.group, squares);
    box.bound = std::max(box.bound, at_centre.cost - model.Sites() * r2);
    if (box.bound < best) {
      const Filling at_box = filler.Fill([&](int e, int g) {
        const Features& v = model.FeaturesOf(e, g);
        double d2 = 0.0;
        for (std::size_t k = 0; k < features; ++k) {
          const double out = std::max({0.0, box.lo[k] - v[k], v[k] - box.hi[k]});
          d2 += out * out;
        }
        return d2;
      });
      box.bound = std::max(box.bound, at_box.cost);
    }
    box.number = number++;
  };

  Box root;
  for (std::size_t k = 0; k < features; ++k) {
    root.lo[k] = std::numeric_limits<double>::infinity();
    root.hi[k] = -std::numeric_limits<double>::infinity();
    for (int e = 0; e < model.Elements(); ++e) {
      for (int g = 0; g < model.Groups(); ++g) {
        if (!model.Admits(g, e)) continue;
        root.lo[k] = std::min(root.lo[k], model.FeaturesOf(e, g)[k]);
        root.hi[k] = std::max(root.hi[k], model.FeaturesOf(e, g)[k]);
      }
    }
  }
  examine(root);
  std::priority_queue<Box, std::vector<Box>, Later> queue;
  queue.push(root);
  double bound = root.bound;
  while (!queue.empty() && features > 0) {
    const Box box = queue.top();
    bound = std::min(box.bound, best);
    if (box.bound >= (1.0 - gap) * best || number >= most_boxes) break;
    queue.pop();
    std::size_t widest = 0;
    for (std::size_t k = 1; k < features; ++k)
      if (box.hi[k] - box.lo[k] > box.hi[widest] - box.lo[widest]) widest = k;
    const double middle = 0.5 * (box.lo[widest] + box.hi[widest]);
    for (const bool upper : {false, true}) {
      Box half = box;
      (upper ? half.lo : half.hi)[widest] = middle;
      examine(half);
      if (half.bound < best) queue.push(half);
    }
    if (queue.empty()) bound = best;
  }
  result.boxes = number;
  result.bound2 = std::max(0.0, bound) * per_site;
  result.best2 = best * per_site;
  std::vector<std::pair<double, const std::vector<int>*>> order;
  for (const auto& [group, squares] : found) order.emplace_back(squares, &group);
  std::stable_sort(order.begin(), order.end(),
                   [](const auto& a, const auto& b) { return a.first < b.first; });
  for (const auto& [squares, group] : order) {
    if (static_cast<int>(result.choices.size()) >= most_choices) break;
    result.choices.push_back(*group);
  }
  return result;
}

}  // namespace conebook::calib
