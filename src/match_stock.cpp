#include "src/match_stock.h"

#include <algorithm>
#include <cmath>
#include <set>

#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include "src/archive/archive.h"

namespace conebook::src {
namespace {

using Json = nlohmann::json;

constexpr std::size_t kMostNames = 12;  // in a note

std::string Listed(const std::vector<std::string>& names) {
  const std::vector<std::string> first(
      names.begin(), names.begin() + static_cast<std::ptrdiff_t>(std::min(names.size(), kMostNames)));
  return fmt::format("{}{}", fmt::join(first, ", "),
                     names.size() > kMostNames ? fmt::format(" and {} more", names.size() - kMostNames) : "");
}

std::vector<std::pair<std::string, double>> SharedOf(const RunReadings& run, const ReadValue& value,
                                                     const std::string& name) {
  std::vector<std::pair<std::string, double>> shared;
  const auto add = [&](const std::string& error, double u) {
    if (u > 0.0) shared.emplace_back(name + "|" + error, u);
  };
  add("rig|" + run.rig_shared, value.shares.rig);
  add("meter|" + run.meter_shared, value.shares.meter);
  add("day|" + (run.date.empty() ? run.key : run.date), value.shares.day);
  add("model", value.shares.model);
  return shared;
}

// Flow areas and pressure drops of one circuit in place of the point's; from the records themselves.
void TakeCircuit(const Json& record, const std::string& circuit, RunReadings& run) {
  for (PointReadings& point : run.points) {
    point.values[static_cast<std::size_t>(ReadQuantity::kPressureBar)].reset();
    point.values[static_cast<std::size_t>(ReadQuantity::kFlowAreaMm2)].reset();
    const Json& points = record.at("points");
    const auto n = static_cast<std::size_t>(point.n - 1);
    if (n >= points.size() || !points[n].contains("circuits")) continue;
    for (const Json& here : points[n]["circuits"]) {
      if (here.value("name", "") != circuit) continue;
      for (const auto& [key, quantity] : {std::pair{"pressure_bar", ReadQuantity::kPressureBar},
                                          std::pair{"flow_area_mm2", ReadQuantity::kFlowAreaMm2}}) {
        const auto found = here.find(key);
        if (found == here.end() || !found->is_object() || !found->contains("value")) continue;
        ReadValue& value = point.values[static_cast<std::size_t>(quantity)].emplace();
        value.value = found->at("value").get<double>();
        value.u = found->at("u").get<double>();
        const Json budget = found->value("budget", Json::array());
        if (budget.empty()) value.shares.clip = value.u;
        for (const Json& part : budget) {
          const std::string with = part.value("shared", "clip");
          double& share = with == "frames"  ? value.shares.frames
                          : with == "rig"   ? value.shares.rig
                          : with == "meter" ? value.shares.meter
                          : with == "day"   ? value.shares.day
                          : with == "model" ? value.shares.model
                                            : value.shares.clip;
          share = std::hypot(share, part.at("u").get<double>());
        }
      }
    }
  }
}

std::vector<RunReadings> OfLatestDay(const std::vector<RunReadings>& runs) {
  std::string latest;
  for (const RunReadings& run : runs) latest = std::max(latest, run.date);
  std::vector<RunReadings> of_day;
  for (const RunReadings& run : runs)
    if (run.date == latest) of_day.push_back(run);
  return of_day;
}

bool HasFlow(const RunReadings& run) {
  return std::any_of(run.points.begin(), run.points.end(), [](const PointReadings& point) {
    return point[ReadQuantity::kFlowAreaMm2] && point[ReadQuantity::kPressureBar];
  });
}

void AddLean(const std::vector<RunReadings>& runs, double pressure_bar, StockElement& element) {
  std::vector<RunReadings> turned;
  for (const RunReadings& run : runs)
    if (run.rotation_deg && ReadAt(run, ReadQuantity::kLeanDeg, pressure_bar)) turned.push_back(run);
  std::vector<calib::LeanView> views;
  for (const RunReadings& run : OfLatestDay(turned)) {
    const ReadValue lean = *ReadAt(run, ReadQuantity::kLeanDeg, pressure_bar);
    // 1 deg: as the rig's own default for a rotation without u.
    views.push_back({*run.rotation_deg, 1.0, lean.value, std::max(lean.shares.Own(), 1e-6)});
  }
  if (views.empty()) {
    element.no_lean = "no views at several rotations on record";
    return;
  }
  const calib::ElementLeanResult fit = calib::FitElementLean(views);
  element.lean = fit.lean;
  if (!fit.lean) element.no_lean = fit.none.reason;
}

struct Named {
  const char* name;
  ReadQuantity quantity;
};
constexpr Named kOthers[] = {{"cd", ReadQuantity::kCd},
                             {"cone_half_angle_deg", ReadQuantity::kConeHalfAngleDeg},
                             {"half_angle_deg", ReadQuantity::kHalfAngleMeanDeg},
                             {"sheet_half_angle_deg", ReadQuantity::kSheetHalfAngleDeg},
                             {"breakup_mm", ReadQuantity::kBreakupMm}};

void AddRatio(StockElement& element) {
  if (element.flow_area_mm2.size() != 2 || !element.flow_area_mm2[0] || !element.flow_area_mm2[1]) return;
  const StockReading &a = *element.flow_area_mm2[0], &b = *element.flow_area_mm2[1];
  StockReading& ratio = element.circuit_ratio.emplace(a);
  ratio.value = a.value / b.value;
  ratio.own_u = ratio.value * std::hypot(a.own_u / a.value, b.own_u / b.value);
  ratio.shared.clear();
  double squares = ratio.own_u * ratio.own_u;
  for (const StockReading* part : {&a, &b}) {
    for (const auto& [error, u] : part->shared) {
      ratio.shared.emplace_back(error, (part == &a ? 1.0 : -1.0) * ratio.value * u / part->value);
      squares += std::pow(ratio.value * u / part->value, 2);
    }
  }
  ratio.u = std::sqrt(squares);
}

void FillReadings(const std::vector<RunReadings>& all, const StockQuestion& question, StockElement& element) {
  for (std::size_t c = 0; c < element.runs.size(); ++c) {
    const std::string name =
        question.circuits.empty() ? "flow_area_mm2" : "flow_area_mm2/" + question.circuits[c];
    element.flow_area_mm2.push_back(
        ReadingAt(element.runs[c], ReadQuantity::kFlowAreaMm2, name, question.pressure_bar));
    for (const RunReadings& run : element.runs[c]) {
      for (const PointReadings& point : run.points) {
        const auto& pressure = point[ReadQuantity::kPressureBar];
        if (!pressure || !point[ReadQuantity::kFlowAreaMm2]) continue;
        if (!element.range_bar) element.range_bar = {pressure->value, pressure->value};
        element.range_bar->first = std::min(element.range_bar->first, pressure->value);
        element.range_bar->second = std::max(element.range_bar->second, pressure->value);
      }
    }
  }
  AddRatio(element);
  for (const Named& other : kOthers)
    if (auto reading = ReadingAt(all, other.quantity, other.name, question.pressure_bar))
      element.readings.emplace(other.name, std::move(*reading));
  AddLean(all, question.pressure_bar, element);
}

}  // namespace

std::optional<StockReading> ReadingAt(const std::vector<RunReadings>& runs, ReadQuantity quantity,
                                      const std::string& name, double pressure_bar) {
  struct Read {
    const RunReadings* run;
    ReadValue value;
  };
  std::vector<Read> reads;
  std::string latest;
  for (const RunReadings& run : runs) {
    if (auto value = ReadAt(run, quantity, pressure_bar)) {
      reads.push_back({&run, *value});
      latest = std::max(latest, run.date);
    }
  }
  std::erase_if(reads, [&](const Read& read) { return read.run->date != latest; });
  if (reads.empty()) return std::nullopt;
  StockReading mean;
  mean.runs = static_cast<int>(reads.size());
  mean.date = latest;
  const auto n = static_cast<double>(reads.size());
  std::map<std::string, double> shared;
  double own2 = 0.0, weights = 0.0, weighted = 0.0;
  for (const Read& read : reads) {
    mean.value += read.value.value / n;
    own2 += std::pow(read.value.shares.Own() / n, 2);
    for (const auto& [error, u] : SharedOf(*read.run, read.value, name)) shared[error] += u / n;
    mean.records.push_back(read.run->key);
    const double weight = 1.0 / std::max(1e-300, std::pow(read.value.shares.Own(), 2));
    weights += weight;
    weighted += weight * read.value.value;
  }
  if (reads.size() > 1) {
    double chi2 = 0.0;
    for (const Read& read : reads)
      chi2 +=
          std::pow((read.value.value - weighted / weights) / std::max(1e-150, read.value.shares.Own()), 2);
    own2 *= std::max(1.0, chi2 / (n - 1.0));
  }
  mean.own_u = std::sqrt(own2);
  double squares = own2;
  for (const auto& [error, u] : shared) {
    mean.shared.emplace_back(error, u);
    squares += u * u;
  }
  mean.u = std::sqrt(squares);
  return mean;
}

Stock FindStockReadings(const std::string& archive, const StockQuestion& question) {
  Stock stock;
  RunFilter filter = question.filter;
  filter.origin = "measured";
  std::map<std::string, std::vector<RunReadings>> by_element;
  for (RunReadings& run : FindReadings(archive, filter))
    if (run.kind != "plate" && run.verdict != "rejected") by_element[run.element].push_back(std::move(run));
  const std::map<std::string, ElementFacts> facts = FindElementFacts(archive);
  const bool kept =
      std::any_of(facts.begin(), facts.end(), [](const auto& item) { return !item.second.state.empty(); });
  if (!kept && !question.all)
    stock.notes.emplace_back(
        "the archive says of no element where it is: all with a run on record count as in stock");
  const auto in_stock = [&](const std::string& name) {
    if (question.all || !kept) return true;
    const auto found = facts.find(name);
    return found != facts.end() &&
           (found->second.state == "in_stock" ||
            (found->second.state == "reserved" && found->second.plate == question.plate));
  };
  std::vector<std::string> elsewhere, without_run;
  for (auto& [name, runs] : by_element) {
    if (!in_stock(name)) {
      elsewhere.push_back(name);
      continue;
    }
    StockElement& element = stock.elements.emplace_back();
    element.element = name;
    element.batch = runs.back().batch;
    if (const auto found = facts.find(name); found != facts.end()) {
      element.state = found->second.state;
      element.plate = found->second.plate;
    }
    if (question.circuits.empty()) {
      std::vector<RunReadings> flowed = runs;
      std::erase_if(flowed, [](const RunReadings& run) { return !HasFlow(run); });
      element.runs = {std::move(flowed)};
    } else {
      // Circuits are in the records alone; those of the latest day are read.
      std::vector<RunReadings> latest = OfLatestDay(runs);
      std::vector<std::string> keys;
      for (const RunReadings& run : latest) keys.push_back(run.key);
      const std::vector<std::string> records = ReadRecords(archive, keys);
      for (const std::string& circuit : question.circuits) {
        std::vector<RunReadings>& of_circuit = element.runs.emplace_back(latest);
        for (std::size_t k = 0; k < records.size(); ++k)
          TakeCircuit(Json::parse(records[k]), circuit, of_circuit[k]);
        std::erase_if(of_circuit, [](const RunReadings& run) { return !HasFlow(run); });
      }
    }
    FillReadings(runs, question, element);
  }
  const bool unfiltered = question.filter.elements.empty() && question.filter.batches.empty() &&
                          !question.filter.from && !question.filter.to;
  if (unfiltered && kept)
    for (const auto& [name, fact] : facts)
      if (fact.state == "in_stock" && !by_element.contains(name)) without_run.push_back(name);
  if (!elsewhere.empty())
    stock.notes.push_back(
        fmt::format("{} not in stock and left out (--all takes them): {}",
                    elsewhere.size() == 1 ? "1 element is" : fmt::format("{} elements are", elsewhere.size()),
                    Listed(elsewhere)));
  if (!without_run.empty())
    stock.notes.push_back(fmt::format(
        "{} in stock without a run on record: {}",
        without_run.size() == 1 ? "1 element is" : fmt::format("{} elements are", without_run.size()),
        Listed(without_run)));
  return stock;
}

}  // namespace conebook::src
