#include "calib/swapped_labels.h"

#include <algorithm>
#include <cmath>
#include <map>

#include <boost/math/distributions/chi_squared.hpp>

namespace conebook::calib {
namespace {

constexpr double kUnlike = 0.01, kLike = 0.001;
constexpr std::size_t kLeastElements = 4, kLeastDeviations = 6;
constexpr double kSdOfMad = 1.4826;  // of a normal distribution

double Median(std::vector<double> values) {
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  if (values.size() % 2 == 1) return *middle;
  return 0.5 * (*middle + *std::max_element(values.begin(), middle));
}

using ByElement = std::map<int, std::vector<std::size_t>>;

// One quantity with days taken out.
struct Levelled {
  std::vector<std::optional<double>> value;  // by labelled day
  double spread = 0.0;                       // of one element from day to day; 0: not known
};

Levelled Level(const std::vector<LabelledDay>& days, std::size_t quantity, const ByElement& by_element) {
  Levelled level;
  for (const LabelledDay& day : days) level.value.push_back(day.values[quantity]);
  // Medians of elements, then of what days leave over, then of elements again.
  std::map<int, double> day_effect;
  const auto middles = [&] {
    std::map<int, double> middle;
    for (const auto& [element, rows] : by_element) {
      std::vector<double> values;
      for (const std::size_t row : rows)
        if (level.value[row]) values.push_back(*level.value[row]);
      if (values.size() > 1) middle[element] = Median(values);
    }
    return middle;
  };
  for (int pass = 0; pass < 3; ++pass) {
    const auto middle = middles();
    std::map<int, std::vector<double>> left;
    for (std::size_t i = 0; i < days.size(); ++i) {
      const auto found = middle.find(days[i].element);
      if (level.value[i] && found != middle.end())
        left[days[i].day].push_back(*level.value[i] - found->second);
    }
    for (std::size_t i = 0; i < days.size(); ++i) {
      const auto found = left.find(days[i].day);
      if (level.value[i] && found != left.end() && found->second.size() > 2)
        *level.value[i] -= Median(found->second);
    }
  }
  // Each day against the element's others, as it will be judged.
  std::vector<double> deviations;
  for (const auto& [element, rows] : by_element) {
    for (const std::size_t row : rows) {
      std::vector<double> others;
      for (const std::size_t other : rows)
        if (other != row && level.value[other]) others.push_back(*level.value[other]);
      if (!level.value[row] || others.empty()) continue;
      deviations.push_back(std::abs(*level.value[row] - Median(others)) /
                           std::sqrt(1.0 + 1.0 / static_cast<double>(others.size())));
    }
  }
  if (deviations.size() >= kLeastDeviations) level.spread = kSdOfMad * Median(deviations);
  for (const LabelledDay& day : days) {
    if (level.spread > 0.0 && !day.least_spread.empty())
      level.spread = std::max(level.spread, day.least_spread[quantity]);
  }
  return level;
}

// p of a day's readings being this element's, by its days other than this one; nothing: no history.
std::optional<double> PThat(std::size_t row, int element, const std::vector<LabelledDay>& days,
                            const std::vector<Levelled>& levels, const ByElement& by_element) {
  double distance = 0.0;
  int quantities = 0;
  for (const Levelled& level : levels) {
    if (!level.value[row] || !(level.spread > 0.0)) continue;
    std::vector<double> others;
    for (const std::size_t other : by_element.at(element))
      if (days[other].day != days[row].day && level.value[other]) others.push_back(*level.value[other]);
    if (others.empty()) continue;
    const double away = (*level.value[row] - Median(others)) / level.spread;
    distance += away * away / (1.0 + 1.0 / static_cast<double>(others.size()));
    ++quantities;
  }
  if (quantities == 0) return std::nullopt;
  return boost::math::cdf(boost::math::complement(boost::math::chi_squared(quantities), distance));
}

}  // namespace

std::vector<MaybeSwapped> FindSwapped(const std::vector<LabelledDay>& days) {
  ByElement by_element;
  for (std::size_t i = 0; i < days.size(); ++i) by_element[days[i].element].push_back(i);
  std::size_t with_history = 0;
  for (const auto& [element, rows] : by_element) with_history += rows.size() > 1 ? 1 : 0;
  if (with_history < kLeastElements) return {};
  std::vector<Levelled> levels;
  for (std::size_t q = 0; q < days.front().values.size(); ++q) levels.push_back(Level(days, q, by_element));

  const auto p = [&](std::size_t row, int element) { return PThat(row, element, days, levels, by_element); };
  const auto on_day = [&](int element, int day) -> std::optional<std::size_t> {
    for (const std::size_t row : by_element.at(element))
      if (days[row].day == day) return row;
    return std::nullopt;
  };
  std::vector<MaybeSwapped> swapped;
  for (std::size_t row = 0; row < days.size(); ++row) {
    const auto own = p(row, days[row].element);
    if (!own || *own * static_cast<double>(days.size()) >= kUnlike) continue;
    std::optional<MaybeSwapped> best;
    for (const auto& [other, rows] : by_element) {
      if (other == days[row].element) continue;
      const auto fits = p(row, other);
      if (!fits || *fits < kLike || (best && *fits <= best->p_fits)) continue;
      MaybeSwapped maybe{days[row].element, days[row].day, other, false, *own, *fits};
      if (const auto there = on_day(other, days[row].day)) {
        // The other one was read that day: as itself, then it cannot be this one as well.
        const auto back = p(*there, days[row].element), as_itself = p(*there, other);
        if (!back || *back < kLike || !as_itself || *as_itself >= kLike) continue;
        maybe.exchanged = true;
      }
      best = maybe;
    }
    if (best) swapped.push_back(*best);
  }
  return swapped;
}

}  // namespace conebook::calib
