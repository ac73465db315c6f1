#include "src/compare.h"

#include <algorithm>
#include <charconv>
#include <cmath>
#include <set>

#include <fmt/format.h>

#include <calib/error.h>
#include <calib/holm.h>

#include "src/compare_data.h"
#include "src/nearest_name.h"

namespace conebook::src {
namespace {

using calib::InputError;

constexpr double kLevel = 0.05;
constexpr double kStationsAlike = 1.10;           // ratio of stations in exit diameters
constexpr double kLeastTemperatureSpreadC = 0.5;  // within days; below, a slope is a guess
constexpr std::size_t kLeastForSlope = 8;         // readings
constexpr int kLeastForRadius = 6;                // elements whose radius is known
constexpr int kLeastFalling = 3;
constexpr double kCutoffsAlike = 1.25;

struct QuantityWords {
  ReadQuantity quantity;
  const char *title, *unit;
};
constexpr std::array<QuantityWords, 9> kCompared{{
    {ReadQuantity::kFlowAreaMm2, "flow area", "mm2"},
    {ReadQuantity::kCd, "Cd", "1"},
    {ReadQuantity::kHalfAngleMeanDeg, "half angle of the visible boundary", "deg"},
    {ReadQuantity::kSheetHalfAngleDeg, "sheet half angle", "deg"},
    {ReadQuantity::kConeHalfAngleDeg, "cone half angle", "deg"},
    {ReadQuantity::kBreakupMm, "breakup length", "mm"},
    {ReadQuantity::kD32Um, "D32", "um"},
    {ReadQuantity::kGrainIndex, "grain index", "1"},
    {ReadQuantity::kScatterDeg, "scatter of the half angle in time", "deg"},
}};
// A swing is compared only where elements of both groups have one.
constexpr QuantityWords kSwing{ReadQuantity::kPulsationDeg, "swing of the half angle", "deg"};

const QuantityWords* WordsOf(ReadQuantity quantity) {
  for (const QuantityWords& words : kCompared)
    if (words.quantity == quantity) return &words;
  return quantity == kSwing.quantity ? &kSwing : nullptr;
}

std::string Percent(double ratio) {
  return fmt::format("{:.0f} %", 100.0 * (ratio - 1.0));
}

// Why lines through stations are not one and the same angle here; empty: they are.
std::string StationsDiffer(const CompareData& data, const std::vector<CompareReading>& readings) {
  double lo[2] = {0.0, 0.0}, hi[2] = {0.0, 0.0};
  bool any = false;
  for (const CompareReading& reading : readings) {
    const RunReadings& run = data.runs[reading.run].run;
    const auto exit = run.geometry.find("exit_diameter_mm");
    if (!run.near_mm || !run.far_mm || exit == run.geometry.end()) continue;
    const double stations[2] = {*run.near_mm / exit->second, *run.far_mm / exit->second};
    for (const int i : {0, 1}) {
      lo[i] = any ? std::min(lo[i], stations[i]) : stations[i];
      hi[i] = any ? std::max(hi[i], stations[i]) : stations[i];
    }
    any = true;
  }
  for (const int i : {0, 1}) {
    if (!any || hi[i] <= kStationsAlike * lo[i]) continue;
    return fmt::format(
        "the {} stations differ by {} ({:.2f} to {:.2f} exit diameters): a line through them is not the same "
        "angle. The "
        "cone half angle, free of stations, is the one to compare",
        i == 0 ? "near" : "far", Percent(hi[i] / lo[i]), lo[i], hi[i]);
  }
  return "";
}

std::string BreakupOnlyBounded(const CompareData& data, const std::vector<CompareReading>& readings) {
  std::set<std::size_t> read;
  for (const CompareReading& reading : readings) read.insert(reading.run);
  int bounded = 0, runs = 0;
  for (std::size_t i = 0; i < data.runs.size(); ++i) {
    if (data.runs[i].group == calib::kCheckGroup) continue;
    const bool in_view = read.contains(i);
    // A run's bound counts where its points reach the pressure drop.
    bool below = false, above = false, bound = false;
    for (const PointReadings& point : data.runs[i].run.points) {
      const auto& pressure = point[ReadQuantity::kPressureBar];
      if (!pressure) continue;
      below = below || pressure->value <= 1.02 * data.at_bar;
      above = above || pressure->value >= 0.98 * data.at_bar;
      bound = bound || point.breakup_lower_bound_mm.has_value();
    }
    if (in_view || (bound && below && above)) ++runs;
    if (!in_view && bound && below && above) ++bounded;
  }
  if (bounded == 0) return "";
  return fmt::format(
      "in {} of {} runs the sheet is still whole where the view ends: without their breakup the others would "
      "tell a lie. "
      "Film with the drops in view, or compare at another pressure drop",
      bounded, runs);
}

std::string AreasDiffer(const CompareData& data) {
  std::set<std::string> areas;
  for (const CompareRun& run : data.runs) {
    for (const PointReadings& point : run.run.points)
      if (run.group != calib::kCheckGroup && !point.cd_area.empty()) areas.insert(point.cd_area);
  }
  if (areas.size() < 2) return "";
  return fmt::format("Cd refers to different areas ({}): compare the flow area",
                     fmt::join(std::vector<std::string>(areas.begin(), areas.end()), ", "));
}

void NoteCutoffs(const CompareData& data, ComparedQuantity& to) {
  double lo = 0.0, hi = 0.0;
  for (const CompareRun& run : data.runs) {
    for (const PointReadings& point : run.run.points) {
      if (!point.d32_cutoff_um) continue;
      lo = lo > 0.0 ? std::min(lo, *point.d32_cutoff_um) : *point.d32_cutoff_um;
      hi = std::max(hi, *point.d32_cutoff_um);
    }
  }
  if (hi > kCutoffsAlike * lo)
    to.notes.push_back(
        fmt::format("smallest drops seen: {:.0f} to {:.0f} um; D32 of a coarser view reads larger", lo, hi));
}

std::string RefusalOf(ReadQuantity quantity, const CompareData& data,
                      const std::vector<CompareReading>& readings) {
  switch (quantity) {
    case ReadQuantity::kHalfAngleMeanDeg:
    case ReadQuantity::kSheetHalfAngleDeg:
      return StationsDiffer(data, readings);
    case ReadQuantity::kBreakupMm:
      return BreakupOnlyBounded(data, readings);
    case ReadQuantity::kCd:
      return AreasDiffer(data);
    default:
      return "";
  }
}

// Readings at falling pressure: with an effect of their own where there are enough of them, else left out
// where the run has one at rising pressure, too.
bool SettleDirections(std::vector<CompareReading>& readings, ComparedQuantity& to) {
  const auto falling = std::count_if(readings.begin(), readings.end(),
                                     [](const CompareReading& reading) { return reading.falling; });
  if (falling == 0 || falling == static_cast<std::ptrdiff_t>(readings.size())) return false;
  if (falling >= kLeastFalling) return true;
  std::set<std::size_t> rising;
  for (const CompareReading& reading : readings)
    if (!reading.falling) rising.insert(reading.run);
  const std::size_t before = readings.size();
  std::erase_if(readings, [&](const CompareReading& reading) {
    return reading.falling && rising.contains(reading.run);
  });
  if (readings.size() < before)
    to.notes.push_back(
        fmt::format("{} readings at falling pressure were left out: too few to tell what the direction does",
                    before - readings.size()));
  return false;
}

// Whether temperatures vary enough within days for a slope to be told.
bool TemperatureVaries(const std::vector<CompareReading>& readings) {
  if (readings.size() < kLeastForSlope) return false;
  std::map<int, std::pair<double, int>> of_day;
  for (const CompareReading& reading : readings) {
    if (!reading.temperature_c) return false;
    auto& [sum, count] = of_day[reading.reading.day];
    sum += *reading.temperature_c;
    ++count;
  }
  double square = 0.0;
  for (const CompareReading& reading : readings) {
    const auto& [sum, count] = of_day[reading.reading.day];
    square += std::pow(*reading.temperature_c - sum / count, 2);
  }
  return std::sqrt(square / static_cast<double>(readings.size())) > kLeastTemperatureSpreadC;
}

std::vector<calib::GroupReading> Plain(const std::vector<CompareReading>& readings) {
  std::vector<calib::GroupReading> plain;
  for (const CompareReading& reading : readings) plain.push_back(reading.reading);
  return plain;
}

// The inlet edge's radius beside the group: what would be left of the difference at equal radius.
void AddRadius(const CompareData& data, std::vector<CompareReading> readings, std::size_t covariates,
               ComparedQuantity& to) {
  std::map<int, double> radius;
  for (const CompareReading& reading : readings) {
    const RunReadings& run = data.runs[reading.run].run;
    if (const auto known = GeometryOf("inlet_edge_radius_mm", data.FactsOf(run.element), &run))
      radius[reading.reading.element] = known->value;
  }
  // A check element has an effect of its own, which takes its radius, too.
  double sum = 0.0;
  for (const auto& [element, value] : radius) sum += value;
  std::set<double> different;
  int known = 0;
  for (const auto& [element, value] : radius) {
    different.insert(value);
    known += data.element_names[static_cast<std::size_t>(element)].first == calib::kCheckGroup ? 0 : 1;
  }
  if (known < kLeastForRadius || different.size() < 3) return;
  std::erase_if(readings, [&](const CompareReading& reading) {
    return reading.reading.group != calib::kCheckGroup && !radius.contains(reading.reading.element);
  });
  const double usual = sum / static_cast<double>(radius.size());
  for (CompareReading& reading : readings) {
    const auto found = radius.find(reading.reading.element);
    reading.reading.covariates.push_back(found == radius.end() ? usual : found->second);
  }
  const auto result = calib::CompareGroups(Plain(readings), nullptr);
  if (!result || !result->slopes.back()) return;
  Covariate& covariate = to.covariates.emplace_back();
  covariate.name = "inlet_edge_radius_mm";
  covariate.unit = std::string(UnitOf(to.quantity)) + " per mm";
  covariate.slope = result->slopes[covariates]->value;
  covariate.u = result->slopes[covariates]->u;
  covariate.dof = result->slopes[covariates]->dof;
  covariate.rest = result->difference;
}

void Fill(const CompareData& data, const calib::GroupDifference& from, ComparedQuantity& to) {
  to.difference = from.difference;
  to.interval95 = calib::IntervalOf(from.difference, 0.95);
  to.u_scatter = from.u_scatter;
  // What cancels leaves rounding behind.
  to.u_shared = from.u_shared > 1e-9 * from.u_scatter ? from.u_shared : 0.0;
  to.p = calib::TwoSidedP(from.difference);
  to.findable = calib::Findable(from.difference.u, from.difference.dof);
  to.mean = {from.group_mean[0], from.group_mean[1]};
  to.elements = {from.elements_in[0], from.elements_in[1]};
  to.readings = {from.readings_in[0], from.readings_in[1]};
  to.days = from.days;
  to.check_elements = from.check_elements;
  to.days_told = from.days_told;
  to.one_spread = from.one_spread;
  to.spread_of_elements = from.spread_of_elements;
  to.spread_of_mounts = from.spread_of_mounts;
  to.spread_of_readings = from.spread_of_readings;
  for (const calib::ElementMean& element : from.elements) {
    if (element.group == calib::kCheckGroup) continue;
    ComparedElement& member = to.members.emplace_back();
    member.element = data.element_names[static_cast<std::size_t>(element.element)].second;
    member.group = element.group;
    member.value = element.value;
    member.u = element.u;
    member.readings = element.readings;
    member.days = element.days;
    member.p_outlying = element.p_outlier;
    member.outlying = element.p_outlier && *element.p_outlier < kLevel;
  }
  std::sort(to.members.begin(), to.members.end(), [](const ComparedElement& a, const ComparedElement& b) {
    return std::tie(a.group, a.element) < std::tie(b.group, b.element);
  });
}

// An element that was alone on its days says nothing of the difference.
void NoteLoneElements(const CompareData& data, const std::vector<CompareReading>& readings,
                      ComparedQuantity& to) {
  std::set<std::string> lone;
  for (const CompareReading& reading : readings)
    if (reading.reading.group != calib::kCheckGroup) lone.insert(data.runs[reading.run].run.element);
  for (const ComparedElement& member : to.members) lone.erase(member.element);
  if (!lone.empty())
    to.notes.push_back(fmt::format("read alone on their days, so not counted: {}",
                                   fmt::join(std::vector<std::string>(lone.begin(), lone.end()), ", ")));
}

void AddEquivalence(const CompareOptions& options, ComparedQuantity& to) {
  for (const CompareMargin& margin : options.margins) {
    if (margin.quantity != to.quantity) continue;
    to.margin = margin.percent ? 0.01 * margin.value * std::abs(to.mean[0]) : margin.value;
  }
  if (!to.margin || !(*to.margin > 0.0)) return;
  if (!to.days_told) {
    to.notes.push_back("whether the groups are equivalent cannot be told from what the days did");
    return;
  }
  to.equivalence = calib::TestEquivalence(to.difference, *to.margin);
  if (to.equivalence->verdict != calib::Equivalence::kNotYet) return;
  to.elements_more = calib::ElementsMore(to.difference, *to.margin,
                                         {to.u_scatter, to.u_shared, to.elements[0] + to.elements[1]});
}

ComparedQuantity CompareOne(const CompareData& data, const CompareOptions& options, ReadQuantity quantity,
                            std::vector<CompareReading> readings) {
  ComparedQuantity to;
  to.quantity = quantity;
  to.refused = RefusalOf(quantity, data, readings);
  if (!to.refused.empty()) return to;
  const bool directions = SettleDirections(readings, to);
  const bool temperatures = TemperatureVaries(readings);
  for (CompareReading& reading : readings) {
    if (directions) reading.reading.covariates.push_back(reading.falling ? 1.0 : 0.0);
    if (temperatures) reading.reading.covariates.push_back(*reading.temperature_c);
  }
  const auto result = calib::CompareGroups(Plain(readings), &to.refused);
  if (!result) return to;
  Fill(data, *result, to);
  NoteLoneElements(data, readings, to);
  std::size_t at = 0;
  const auto add = [&](const char* name, const std::string& unit) {
    const auto& slope = result->slopes[at++];
    if (slope) to.covariates.push_back({name, unit, slope->value, slope->u, slope->dof, true, std::nullopt});
  };
  if (directions) add("falling", UnitOf(quantity));
  if (temperatures) add("temperature_c", std::string(UnitOf(quantity)) + " per C");
  AddRadius(data, readings, at, to);
  if (quantity == ReadQuantity::kD32Um) NoteCutoffs(data, to);
  if (to.one_spread)
    to.notes.push_back(
        "one spread of elements is taken for both groups: fewer than four elements in one of them");
  AddEquivalence(options, to);
  return to;
}

void TestAll(Comparison& comparison) {
  std::vector<double> p;
  std::vector<ComparedQuantity*> tested;
  for (ComparedQuantity& quantity : comparison.quantities) {
    if (!quantity.refused.empty()) continue;
    if (!quantity.days_told) {
      quantity.verdict = "cannot tell route from day";
      continue;
    }
    tested.push_back(&quantity);
    p.push_back(quantity.p);
  }
  const std::vector<double> adjusted = calib::HolmAdjusted(p);
  for (std::size_t i = 0; i < tested.size(); ++i) {
    tested[i]->p_holm = adjusted[i];
    tested[i]->verdict = adjusted[i] < kLevel ? "different" : "not told apart";
  }
}

}  // namespace

const char* TitleOf(ReadQuantity quantity) {
  const QuantityWords* words = WordsOf(quantity);
  return words == nullptr ? NameOf(quantity) : words->title;
}

const char* UnitOf(ReadQuantity quantity) {
  const QuantityWords* words = WordsOf(quantity);
  return words == nullptr ? "" : words->unit;
}

CompareMargin ReadCompareMargin(const std::string& text) {
  const std::size_t equals = text.find('=');
  std::vector<std::string> names;
  for (const QuantityWords& words : kCompared) names.emplace_back(NameOf(words.quantity));
  names.emplace_back(NameOf(kSwing.quantity));
  const std::string name = text.substr(0, equals);
  CompareMargin margin;
  bool known = false;
  for (std::size_t i = 0; i < kReadQuantities; ++i) {
    const auto quantity = static_cast<ReadQuantity>(i);
    if (name != NameOf(quantity) || WordsOf(quantity) == nullptr) continue;
    margin.quantity = quantity;
    known = true;
  }
  if (!known || equals == std::string::npos) {
    const auto nearest = known ? std::nullopt : NearestName(name, names);
    throw InputError(fmt::format("--margin {}: expected QUANTITY=VALUE with one of {}{}", text,
                                 fmt::join(names, ", "), nearest ? "; did you mean " + *nearest + "?" : ""));
  }
  std::string value = text.substr(equals + 1);
  if (value.ends_with('%')) {
    margin.percent = true;
    value.pop_back();
  }
  const auto read = std::from_chars(value.data(), value.data() + value.size(), margin.value);
  if (read.ec != std::errc() || read.ptr != value.data() + value.size() || !(margin.value > 0.0) ||
      !std::isfinite(margin.value))
    throw InputError(
        fmt::format("--margin {}: expected a number above zero, or a share as in 1%, after the =", text));
  return margin;
}

Comparison Compare(const std::string& archive, const CompareOptions& options) {
  Comparison comparison;
  const CompareData data = GatherCompareData(archive, options, comparison);
  const auto add = [&](ReadQuantity quantity) {
    const std::vector<CompareReading> readings = CompareReadings(data, quantity);
    std::set<int> elements[2];
    bool bounded = false;
    for (const CompareReading& reading : readings)
      if (reading.reading.group != calib::kCheckGroup)
        elements[reading.reading.group].insert(reading.reading.element);
    if (quantity == ReadQuantity::kBreakupMm) bounded = !BreakupOnlyBounded(data, readings).empty();
    const bool swing = quantity == kSwing.quantity;
    const std::size_t least = swing ? 2 : 1;
    if (std::max(elements[0].size(), elements[1].size()) < least && !bounded) return;
    if (swing && std::min(elements[0].size(), elements[1].size()) < least) {
      ComparedQuantity& to = comparison.quantities.emplace_back();
      to.quantity = quantity;
      to.refused = fmt::format("{} elements of {} swing at one frequency, {} of {}", elements[0].size(),
                               comparison.groups[0].name, elements[1].size(), comparison.groups[1].name);
      return;
    }
    comparison.quantities.push_back(CompareOne(data, options, quantity, readings));
  };
  for (const QuantityWords& words : kCompared) add(words.quantity);
  add(kSwing.quantity);
  if (comparison.quantities.empty())
    throw InputError(fmt::format("the runs of {} and {} have nothing to compare at {:.2f} bar",
                                 comparison.groups[0].name, comparison.groups[1].name, comparison.at_bar));
  TestAll(comparison);
  comparison.flow_split = SplitFlow(data);
  comparison.maybe_swapped = SwappedLabels(data);
  return comparison;
}

}  // namespace conebook::src
