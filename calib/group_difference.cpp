#include "calib/group_difference.h"

#include <algorithm>
#include <cmath>
#include <map>
#include <set>
#include <tuple>

#include <boost/math/distributions/students_t.hpp>

#include "calib/mixed_model.h"

namespace conebook::calib {
namespace {

using Eigen::Index;
using Eigen::VectorXd;

constexpr int kOwnSpreadFrom = 4;  // elements, of each group: with fewer, a spread of its own is a guess
constexpr std::size_t kGrubbsFrom = 4;
constexpr double kLeastOwnVariance = 0.5, kMostOwnVariance = 25.0;

std::map<int, int> Numbered(const std::vector<GroupReading>& readings, int GroupReading::*of) {
  std::map<int, int> numbers;
  for (const GroupReading& reading : readings) numbers.emplace(reading.*of, 0);
  int next = 0;
  for (auto& [name, number] : numbers) number = next++;
  return numbers;
}

// A reading that is worse than the others by its own u says less. Half of every reading's variance is taken
// as equal for all, so that an optimistic u does not carry the day.
std::vector<double> RelativeVariance(const std::vector<GroupReading>& readings) {
  std::vector<double> u;
  for (const GroupReading& reading : readings) u.push_back(reading.u_own);
  std::nth_element(u.begin(), u.begin() + static_cast<std::ptrdiff_t>(u.size() / 2), u.end());
  const double usual = u[u.size() / 2];
  std::vector<double> relative;
  for (const GroupReading& reading : readings) {
    const double share = usual > 0.0 ? reading.u_own / usual : 1.0;
    relative.push_back(
        std::min(kMostOwnVariance, kLeastOwnVariance + (1.0 - kLeastOwnVariance) * share * share));
  }
  return relative;
}

// Columns: both groups, check elements, covariates, days.
struct Layout {
  std::map<int, int> days, checks;
  Index covariates = 0;
  bool with_days = true;

  Index FirstCovariate() const { return 2 + static_cast<Index>(checks.size()); }
  Index FirstDay() const { return FirstCovariate() + covariates; }
  Index Columns() const { return FirstDay() + (with_days ? static_cast<Index>(days.size()) : 0); }
};

MixedData DataOf(const std::vector<GroupReading>& readings, const Layout& layout) {
  MixedData data;
  const auto n = static_cast<Index>(readings.size());
  data.y.resize(n);
  data.fixed = Eigen::MatrixXd::Zero(n, layout.Columns());
  VectorXd middle = VectorXd::Zero(layout.covariates);
  for (const GroupReading& reading : readings) {
    for (Index c = 0; c < layout.covariates; ++c)
      middle(c) += reading.covariates[static_cast<std::size_t>(c)] / static_cast<double>(n);
  }
  for (Index i = 0; i < n; ++i) {
    const GroupReading& reading = readings[static_cast<std::size_t>(i)];
    data.y(i) = reading.value;
    data.fixed(i, reading.group == kCheckGroup ? 2 + layout.checks.at(reading.element) : reading.group) = 1.0;
    for (Index c = 0; c < layout.covariates; ++c)
      data.fixed(i, layout.FirstCovariate() + c) =
          reading.covariates[static_cast<std::size_t>(c)] - middle(c);
    if (layout.with_days) data.fixed(i, layout.FirstDay() + layout.days.at(reading.day)) = 1.0;
    data.block.push_back(reading.element);
  }
  data.scatter.assign(readings.size(), 0);
  data.relative_variance = RelativeVariance(readings);
  return data;
}

// What the readings are taken to scatter by, from the most that one could hope to tell to the least.
struct Structure {
  bool own_spread = false, elements = false, mounts = false;
};

void Apply(const Structure& structure, const std::vector<GroupReading>& readings, MixedData& data) {
  data.random.clear();
  data.scatter.assign(readings.size(), 0);
  if (structure.elements) {
    for (int group = 0; group < (structure.own_spread ? 2 : 1); ++group) {
      RandomEffect& effect = data.random.emplace_back();
      effect.name = "element";
      for (const GroupReading& reading : readings) {
        const bool of_it = reading.group != kCheckGroup && (!structure.own_spread || reading.group == group);
        effect.level.push_back(of_it ? reading.element : -1);
      }
    }
  } else if (structure.own_spread) {
    for (std::size_t i = 0; i < readings.size(); ++i) data.scatter[i] = readings[i].group;
  }
  if (structure.mounts) {
    std::map<std::tuple<int, int, int>, int> number;
    RandomEffect& effect = data.random.emplace_back();
    effect.name = "mount";
    for (const GroupReading& reading : readings) {
      const auto key = std::tuple(reading.element, reading.day, reading.mount);
      effect.level.push_back(number.emplace(key, static_cast<int>(number.size())).first->second);
    }
  }
}

std::vector<Structure> Structures(const GroupDifference& counts, const std::vector<GroupReading>& readings) {
  std::map<int, int> of_element, of_member;
  for (const GroupReading& reading : readings) {
    ++of_element[reading.element];
    if (reading.group != kCheckGroup) ++of_member[reading.element];
  }
  const auto again = [](const std::map<int, int>& count) {
    return std::any_of(count.begin(), count.end(), [](const auto& item) { return item.second > 1; });
  };
  const bool own = std::min(counts.elements_in[0], counts.elements_in[1]) >= kOwnSpreadFrom;
  std::vector<Structure> structures;
  if (again(of_element)) {
    if (own) structures.insert(structures.end(), {{true, true, true}, {true, true, false}});
    structures.insert(structures.end(), {{false, true, true}, {false, true, false}});
  }
  if (!again(of_member)) {
    if (own && counts.check_elements == 0) structures.push_back({true, false, false});
    structures.push_back({false, false, false});
  }
  return structures;
}

// Grubbs' test, one element against the others of its group (Student's form of it: each is held against the
// rest). At most 1.
void MarkOutliers(GroupDifference& result) {
  for (const int group : {0, 1}) {
    std::vector<ElementMean*> members;
    for (ElementMean& element : result.elements)
      if (element.group == group) members.push_back(&element);
    const auto n = static_cast<double>(members.size());
    if (members.size() < kGrubbsFrom) continue;
    for (ElementMean* one : members) {
      double mean = 0.0, square = 0.0;
      for (const ElementMean* other : members)
        if (other != one) mean += other->value / (n - 1.0);
      for (const ElementMean* other : members)
        if (other != one) square += (other->value - mean) * (other->value - mean);
      const double sd = std::sqrt(square / (n - 2.0) * (1.0 + 1.0 / (n - 1.0)));
      if (!(sd > 0.0)) continue;
      const boost::math::students_t t(n - 2.0);
      one->p_outlier = std::min(
          1.0, 2.0 * n * boost::math::cdf(boost::math::complement(t, std::abs(one->value - mean) / sd)));
    }
  }
}

void AddElements(const std::vector<GroupReading>& readings, const Layout& layout, const VectorXd& fixed,
                 GroupDifference& result) {
  const auto n = static_cast<double>(readings.size());
  double usual = 0.0;
  std::vector<double> nuisance;
  for (const GroupReading& reading : readings) {
    double effect = layout.with_days ? fixed(layout.FirstDay() + layout.days.at(reading.day)) : 0.0;
    for (Index c = 0; c < layout.covariates; ++c)
      effect += fixed(layout.FirstCovariate() + c) * reading.covariates[static_cast<std::size_t>(c)];
    nuisance.push_back(effect);
    usual += effect / n;
  }
  std::map<int, ElementMean> means;
  std::map<int, std::set<int>> days;
  std::map<int, std::set<std::pair<int, int>>> mounts;
  for (std::size_t i = 0; i < readings.size(); ++i) {
    const GroupReading& reading = readings[i];
    ElementMean& mean = means[reading.element];
    mean.element = reading.element;
    mean.group = reading.group;
    mean.value += reading.value - nuisance[i] + usual;
    mean.u = std::hypot(mean.u, reading.u_own);
    ++mean.readings;
    days[reading.element].insert(reading.day);
    mounts[reading.element].insert({reading.day, reading.mount});
  }
  result.group_mean.assign(2, 0.0);
  for (auto& [name, mean] : means) {
    mean.value /= mean.readings;
    mean.u /= mean.readings;
    mean.days = static_cast<int>(days[name].size());
    mean.mounts = static_cast<int>(mounts[name].size());
    if (mean.group != kCheckGroup)
      result.group_mean[static_cast<std::size_t>(mean.group)] += mean.value / result.elements_in[mean.group];
    result.elements.push_back(mean);
  }
  MarkOutliers(result);
}

double SharedU(const std::vector<GroupReading>& readings, const VectorXd& weights, bool with_days) {
  std::map<int, double> shared, of_days;
  for (std::size_t i = 0; i < readings.size(); ++i) {
    for (const auto& [who, u] : readings[i].shared) shared[who] += weights(static_cast<Index>(i)) * u;
    if (with_days) continue;
    for (const auto& [who, u] : readings[i].day_error) of_days[who] += weights(static_cast<Index>(i)) * u;
  }
  double total = 0.0;
  for (const auto* errors : {&shared, &of_days})
    for (const auto& [who, u] : *errors) total = std::hypot(total, u);
  return total;
}

GroupDifference Counted(const std::vector<GroupReading>& readings) {
  GroupDifference counts;
  std::set<int> elements[2], checks, days;
  for (const GroupReading& reading : readings) {
    days.insert(reading.day);
    if (reading.group == kCheckGroup) {
      checks.insert(reading.element);
      continue;
    }
    elements[reading.group].insert(reading.element);
    ++counts.readings_in[reading.group];
  }
  for (const int group : {0, 1}) counts.elements_in[group] = static_cast<int>(elements[group].size());
  counts.days = static_cast<int>(days.size());
  counts.check_elements = static_cast<int>(checks.size());
  return counts;
}

bool Enough(const GroupDifference& counts, std::string& why) {
  if (counts.elements_in[0] == 0 || counts.elements_in[1] == 0)
    why = "one of the groups has no readings";
  else if (counts.elements_in[0] + counts.elements_in[1] < 3)
    why = "each group has one element only: how much elements differ from each other is not known";
  else
    return true;
  return false;
}

// A day with one reading says nothing about the elements: its own effect takes it all.
std::vector<GroupReading> WithoutLoneDays(std::vector<GroupReading> readings) {
  std::map<int, int> of_day;
  for (const GroupReading& reading : readings) ++of_day[reading.day];
  std::erase_if(readings, [&](const GroupReading& reading) { return of_day[reading.day] == 1; });
  return readings;
}

// One reading for each element and day, their mean.
std::vector<GroupReading> DayMeans(const std::vector<GroupReading>& readings) {
  std::map<std::pair<int, int>, std::vector<GroupReading>> cells;
  for (const GroupReading& reading : readings) cells[{reading.element, reading.day}].push_back(reading);
  std::vector<GroupReading> means;
  for (const auto& [key, cell] : cells) {
    const auto n = static_cast<double>(cell.size());
    GroupReading mean = cell.front();
    mean.value = mean.u_own = 0.0;
    std::fill(mean.covariates.begin(), mean.covariates.end(), 0.0);
    std::map<int, double> shared, day_error;
    for (const GroupReading& reading : cell) {
      mean.value += reading.value / n;
      mean.u_own = std::hypot(mean.u_own, reading.u_own / n);
      for (std::size_t c = 0; c < mean.covariates.size(); ++c)
        mean.covariates[c] += reading.covariates[c] / n;
      for (const auto& [who, u] : reading.shared) shared[who] += u / n;
      for (const auto& [who, u] : reading.day_error) day_error[who] += u / n;
    }
    mean.shared.assign(shared.begin(), shared.end());
    mean.day_error.assign(day_error.begin(), day_error.end());
    means.push_back(std::move(mean));
  }
  return means;
}

std::optional<GroupDifference> Fit(const std::vector<GroupReading>& readings, bool with_days,
                                   std::string& why) {
  GroupDifference result = Counted(readings);
  if (!Enough(result, why)) return std::nullopt;
  Layout layout;
  layout.with_days = with_days;
  layout.days = Numbered(readings, &GroupReading::day);
  for (const GroupReading& reading : readings)
    if (reading.group == kCheckGroup) layout.checks.emplace(reading.element, 0);
  int next = 0;
  for (auto& [element, number] : layout.checks) number = next++;
  layout.covariates = static_cast<Index>(readings.front().covariates.size());
  MixedData data = DataOf(readings, layout);
  for (const Structure& structure : Structures(result, readings)) {
    Apply(structure, readings, data);
    const auto fit = MixedFit::Make(data, &why);
    if (!fit) continue;
    VectorXd less = VectorXd::Zero(layout.Columns());
    less(0) = -1.0;
    less(1) = 1.0;
    const auto contrast = fit->Contrast(less);
    if (!contrast) {
      why = "the groups cannot be told from other effects";
      return std::nullopt;
    }
    result.days_told = layout.with_days;
    result.u_scatter = contrast->u;
    result.u_shared = SharedU(readings, contrast->weights, layout.with_days);
    result.difference.value = contrast->value;
    result.difference.u = std::hypot(result.u_scatter, result.u_shared);
    result.difference.dof = DofOfSum(result.u_scatter, contrast->dof, result.u_shared);
    result.one_spread = !structure.own_spread;
    result.elements_apart = structure.elements;
    const auto sd = [&](std::size_t i) { return std::sqrt(std::max(0.0, fit->Components()[i])); };
    std::size_t at = 0;
    if (structure.elements) {
      for (const std::size_t group : {0U, 1U})
        result.spread_of_elements.push_back(sd(structure.own_spread ? group : 0));
      at = structure.own_spread ? 2 : 1;
      if (structure.mounts) result.spread_of_mounts = sd(at++);
      result.spread_of_readings = sd(at);
    }
    for (Index c = 0; c < layout.covariates; ++c) {
      VectorXd one = VectorXd::Zero(layout.Columns());
      one(layout.FirstCovariate() + c) = 1.0;
      const auto slope = fit->Contrast(one);
      result.slopes.push_back(slope ? std::optional(CovariateSlope{slope->value, slope->u, slope->dof})
                                    : std::nullopt);
    }
    AddElements(readings, layout, fit->Fixed(), result);
    return result;
  }
  return std::nullopt;
}

}  // namespace

std::optional<GroupDifference> CompareGroups(const std::vector<GroupReading>& readings, std::string* why) {
  std::string reason, ignored;
  if (!Enough(Counted(readings), reason)) {
    if (why != nullptr) *why = reason;
    return std::nullopt;
  }
  const std::vector<GroupReading> in_company = WithoutLoneDays(readings);
  for (const bool with_days : {true, false}) {
    const std::vector<GroupReading>& taken = with_days ? in_company : readings;
    for (const bool as_read : {true, false}) {
      if (auto result = Fit(as_read ? taken : DayMeans(taken), with_days, with_days ? ignored : reason))
        return result;
    }
  }
  if (why != nullptr) *why = reason;
  return std::nullopt;
}

}  // namespace conebook::calib
