// Whence a difference in flow, and whether labels were mixed up.
#include <algorithm>
#include <cmath>
#include <numbers>
#include <set>

#include <fmt/format.h>

#include <calib/swapped_labels.h>
#include <calib/swirl_theory.h>

#include "src/compare_data.h"

namespace conebook::src {
namespace {

double AreaOf(double diameter_mm) {
  return 0.25 * std::numbers::pi * diameter_mm * diameter_mm;
}

// What an element's measured bores alone would make its flow area, to a factor that is the same for all.
struct BoreFlow {
  std::optional<double> by_exit, by_theory;
};

// A drawing's number says nothing of the element that was made.
bool Measured(const KnownLength& length, const ElementFacts* facts, const RunReadings& run) {
  if (length.from_rig) return !run.measured_by.empty() && run.measured_by != "drawing";
  const auto by = facts->texts.find("measured_by");
  return by == facts->texts.end() || by->second != "drawing";
}

BoreFlow BoresOf(const CompareData& data, const RunReadings& run) {
  const ElementFacts* facts = data.FactsOf(run.element);
  const auto known = [&](const char* name) { return GeometryOf(name, facts, &run); };
  BoreFlow flow;
  const auto exit = known("exit_diameter_mm");
  if (!exit || !Measured(*exit, facts, run)) return flow;
  flow.by_exit = AreaOf(exit->value);
  const auto count = known("inlet_count"), inlet = known("inlet_diameter_mm"),
             chamber = known("chamber_diameter_mm");
  if (run.kind != "swirl" || !count || !inlet || !chamber || !Measured(*inlet, facts, run)) return flow;
  calib::SwirlGeometry geometry;
  geometry.exit_diameter_mm = exit->value;
  geometry.inlet_area_mm2 = count->value * AreaOf(inlet->value);
  geometry.chamber_diameter_mm = chamber->value;
  flow.by_theory = *flow.by_exit * calib::InviscidCd(calib::AirCoreShare(calib::AtomizerConstant(geometry)));
  return flow;
}

FlowSplit::Part PartOf(const calib::Difference& difference) {
  const calib::Interval interval = calib::IntervalOf(difference, 0.95);
  const auto percent = [](double log_ratio) { return 100.0 * std::expm1(log_ratio); };
  return {percent(difference.value), {percent(interval.lo), percent(interval.hi)}};
}

}  // namespace

FlowSplit SplitFlow(const CompareData& data) {
  FlowSplit split;
  const std::vector<CompareReading> all = CompareReadings(data, ReadQuantity::kFlowAreaMm2);
  std::map<int, BoreFlow> bores;
  std::array<std::set<int>, 2> with_flow, with_exit, with_theory;
  for (const CompareReading& reading : all) {
    if (reading.reading.group == calib::kCheckGroup) continue;
    const int element = reading.reading.element;
    const auto group = static_cast<std::size_t>(reading.reading.group);
    const BoreFlow flow = BoresOf(data, data.runs[reading.run].run);
    bores[element] = flow;
    with_flow[group].insert(element);
    if (flow.by_exit) with_exit[group].insert(element);
    if (flow.by_theory) with_theory[group].insert(element);
  }
  if (with_flow[0].empty() || with_flow[1].empty()) {
    split.refused = "there is no flow to part";
    return split;
  }
  const bool by_theory = with_theory == with_exit;
  const auto& with = by_theory ? with_theory : with_exit;
  if (with[0].size() < 2 || with[1].size() < 2) {
    split.refused = fmt::format(
        "measured bores are on record of {} elements of one group and {} of the other, and two of each are "
        "needed: put "
        "exit_diameter_mm, inlet_diameter_mm and measured_by in a table of elements (conebook import)",
        with[0].size(), with[1].size());
    return split;
  }
  split.rests_on = by_theory ? "exit, inlets and chamber, by inviscid theory" : "exit diameters alone";
  split.elements = {static_cast<int>(with[0].size()), static_cast<int>(with[1].size())};
  std::vector<calib::GroupReading> whole, rest, made;
  std::set<int> seen;
  for (const CompareReading& from : all) {
    calib::GroupReading reading = from.reading;
    const bool check = reading.group == calib::kCheckGroup;
    if (!check && !with[static_cast<std::size_t>(reading.group)].contains(reading.element)) continue;
    if (from.falling) continue;
    const double area = reading.value;
    reading.value = std::log(area);
    reading.u_own /= area;
    for (auto* errors : {&reading.shared, &reading.day_error})
      for (auto& [who, u] : *errors) u /= area;
    whole.push_back(reading);
    const double by_bores =
        check ? 0.0
              : std::log(by_theory ? *bores[reading.element].by_theory : *bores[reading.element].by_exit);
    reading.value -= by_bores;
    rest.push_back(reading);
    if (check || !seen.insert(reading.element).second) continue;
    calib::GroupReading bore;
    bore.group = reading.group;
    bore.element = reading.element;
    bore.value = by_bores;
    made.push_back(bore);
  }
  const auto of_whole = calib::CompareGroups(whole, &split.refused),
             of_rest = calib::CompareGroups(rest, &split.refused),
             of_bores = calib::CompareGroups(made, nullptr);
  if (!of_whole || !of_rest) return split;
  if (!of_whole->days_told) {
    split.refused = "route and day cannot be told apart";
    return split;
  }
  if (!of_bores) {
    split.refused = "the bores on record are the same in all elements of a group: are they measured?";
    return split;
  }
  split.whole = PartOf(of_whole->difference);
  split.bores = PartOf(of_bores->difference);
  split.cd = PartOf(of_rest->difference);
  return split;
}

std::vector<SwappedLabel> SwappedLabels(const CompareData& data) {
  // One quantity that tells elements apart by flow, one by spray.
  constexpr std::array<ReadQuantity, 2> kTelling{ReadQuantity::kFlowAreaMm2, ReadQuantity::kConeHalfAngleDeg};
  struct Sum {
    double value = 0.0, squares = 0.0;
    int count = 0;
  };
  std::map<std::pair<std::string, int>, std::array<Sum, kTelling.size()>> cells;
  for (std::size_t q = 0; q < kTelling.size(); ++q) {
    for (const CompareReading& reading : CompareReadings(data, kTelling[q])) {
      if (reading.falling) continue;
      const std::string& element = data.runs[reading.run].run.element;
      Sum& sum = cells[{element, reading.reading.day}][q];
      sum.value += reading.reading.value;
      sum.squares += reading.reading.u_own * reading.reading.u_own;
      ++sum.count;
    }
  }
  std::map<std::string, int> number;
  for (const auto& [key, sums] : cells) number.emplace(key.first, 0);
  std::vector<std::string> names;
  for (auto& [name, at] : number) {
    at = static_cast<int>(names.size());
    names.push_back(name);
  }
  std::array<std::vector<double>, kTelling.size()> u;
  std::vector<calib::LabelledDay> days;
  for (const auto& [key, sums] : cells) {
    calib::LabelledDay& day = days.emplace_back();
    day.element = number[key.first];
    day.day = key.second;
    for (std::size_t q = 0; q < kTelling.size(); ++q) {
      day.values.push_back(sums[q].count ? std::optional(sums[q].value / sums[q].count) : std::nullopt);
      if (sums[q].count) u[q].push_back(std::sqrt(sums[q].squares) / sums[q].count);
    }
  }
  for (auto& list : u) std::sort(list.begin(), list.end());
  for (calib::LabelledDay& day : days)
    for (const auto& list : u) day.least_spread.push_back(list.empty() ? 0.0 : list[list.size() / 2]);
  std::vector<std::string> dates(data.days.size());
  for (const auto& [date, at] : data.days) dates[static_cast<std::size_t>(at)] = date;
  std::vector<SwappedLabel> labels;
  for (const calib::MaybeSwapped& maybe : calib::FindSwapped(days))
    labels.push_back({names[static_cast<std::size_t>(maybe.element)],
                      dates[static_cast<std::size_t>(maybe.day)], names[static_cast<std::size_t>(maybe.fits)],
                      maybe.exchanged});
  return labels;
}

}  // namespace conebook::src
