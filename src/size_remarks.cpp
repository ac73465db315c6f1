#include <algorithm>
#include <cmath>
#include <set>

#include <fmt/core.h>

#include <calib/flow_numbers.h>

#include "src/size.h"

namespace conebook::src {
namespace {

constexpr int kFewElements = 5;
constexpr double kStillAirKgM3 = 1.2;
constexpr double kUsualRatio = 0.15;
constexpr double kShortTubeCd =
    0.81;  // of an inlet that runs full; handbook value, see the reference of flow numbers

void AddReach(const Reach& reach, const std::string& of, const std::string& nothing,
              std::vector<SizeRemark>& remarks) {
  if (reach.elements == 0) {
    remarks.push_back(
        {true, "Theory alone for the " + of + ": " + nothing +
                   " The interval is how far published relations are trusted, not a measurement."});
    return;
  }
  for (const Extrapolation& extrapolation : reach.extrapolations)
    remarks.push_back({true, fmt::format("The {} {}.", of, extrapolation.words)});
  if (reach.outside_hull > 0.0 && reach.extrapolations.empty())
    remarks.push_back(
        {true, fmt::format(
                   "The {} extrapolates: within every range on record, but in a combination that no elements "
                   "on record surround; the nearest that they do is {:.1f} % away in the groups.",
                   of, 100.0 * reach.outside_hull)});
  else if (reach.leverage_ratio > 1.0 && reach.extrapolations.empty())
    remarks.push_back(
        {true, fmt::format("The {} extrapolates: within what is on record, but its law is known there "
                           "less well than at any element ({:.1f} times the variance).",
                           of, reach.leverage_ratio)});
  if (reach.elements < kFewElements)
    remarks.push_back(
        {true, fmt::format("The {} rests on {} element{} on record: theory has most of the say.", of,
                           reach.elements, reach.elements == 1 ? "" : "s")});
}

void AddRecord(const SizeModel& model, std::vector<SizeRemark>& remarks) {
  std::set<std::string> batches;
  int imported = 0;
  for (const std::size_t i : model.cd.elements) {
    batches.insert(model.record.elements[i].batch);
    imported += model.record.elements[i].imported ? 1 : 0;
  }
  const int n = static_cast<int>(model.cd.elements.size());
  if (n > 1 && batches.size() == 1)
    remarks.push_back(
        {true, fmt::format("All {} elements are of one batch: what the next batch does of its own is "
                           "taken from common practice, not from the record.",
                           n)});
  if (imported > 0)
    remarks.push_back(
        {false, fmt::format("{} of {} elements rest on imported results, which this program did not "
                            "measure.",
                            imported, n)});
  for (const auto& [law, what] :
       {std::pair(&model.cd, "flow"), std::pair(&model.tangent, "cone half angle")}) {
    const int rows = static_cast<int>(law->rows.size());
    if (rows >= 10 && law->left_out_held < 0.8 * rows)
      remarks.push_back(
          {true, fmt::format("Left out one at a time, only {} of {} elements' {} lay within their 95 % "
                             "interval: do not trust the intervals.",
                             law->left_out_held, rows, what)});
  }
}

void AddLiquid(const SizeModel& model, const std::string& liquid, std::vector<SizeRemark>& remarks) {
  std::set<std::string> tested;
  for (const std::size_t i : model.cd.elements) tested.insert(model.record.elements[i].liquid);
  if (tested.empty() || tested.contains(liquid)) return;
  std::string all;
  for (const std::string& name : tested) all += (all.empty() ? "" : ", ") + name;
  remarks.push_back(
      {true, fmt::format("The record is of {}; to {} it is carried over by density and Reynolds number "
                         "alone.",
                         all, liquid.empty() ? "another liquid" : liquid)});
}

}  // namespace

std::string InWords(const SizeGeometry& geometry) {
  std::string words =
      fmt::format("exit {:.4g} mm, {} inlet{} of {:.4g} mm, chamber {:.4g} mm", geometry.exit.mm,
                  geometry.inlets, geometry.inlets == 1 ? "" : "s", geometry.inlet.mm, geometry.chamber.mm);
  if (geometry.exit_length) words += fmt::format(", exit length {:.3g} mm", geometry.exit_length->mm);
  return words;
}

std::string ReachInWords(const SizePrediction& prediction) {
  const Reach &flow = prediction.flow_reach, &angle = prediction.angle_reach;
  if (flow.elements == 0 && angle.elements == 0) return "theory alone";
  const auto words = [](const Reach& reach) -> std::string {
    if (reach.elements == 0) return "theory";
    if (!reach.extrapolations.empty()) {
      const Extrapolation& worst = reach.extrapolations.front();
      return fmt::format("by {:.{}f} in {}", worst.factor, worst.factor < 1.1 ? 2 : 1, worst.what);
    }
    return reach.Outside() ? "combination" : "no";
  };
  const std::string of_flow = words(flow), of_angle = words(angle);
  return of_flow == of_angle ? of_flow : of_flow + "; angle: " + of_angle;
}

std::string PercentText(double share) {
  return fmt::format("{:.{}f} %", 100.0 * share, share < 0.0995 ? 1 : 0);
}

std::vector<SizeRemark> RemarksOn(const SizeModel& model, const SizePrediction& prediction) {
  const auto reach_of = [](const Reach& reach, const std::string& of, const std::string& nothing) {
    std::vector<SizeRemark> of_reach;
    AddReach(reach, of, nothing, of_reach);
    return of_reach;
  };
  const Reach &flow = prediction.flow_reach, &angle = prediction.angle_reach;
  const auto text = [](const SizeRemark& a, const SizeRemark& b) { return a.text == b.text; };
  std::vector<SizeRemark> remarks = reach_of(flow, "prediction", "");
  const std::vector<SizeRemark> same = reach_of(angle, "prediction", "");
  // Said once where flow and angle rest on the same elements.
  if (flow.elements == 0 || !std::equal(remarks.begin(), remarks.end(), same.begin(), same.end(), text)) {
    remarks = reach_of(flow, "flow", "no swirl element with geometry and flow area is on record.");
    const auto more =
        reach_of(angle, "cone half angle",
                 "no element with geometry and a cone half angle is on record (visible half angles are "
                 "another definition).");
    remarks.insert(remarks.end(), more.begin(), more.end());
  }
  AddLiquid(model, prediction.flow.liquid, remarks);
  AddRecord(model, remarks);
  return remarks;
}

std::vector<SizeRemark> RemarksOn(const SizeModel& model, const Sizing& sizing) {
  std::vector<SizeRemark> remarks;
  if (sizing.candidates.empty())
    remarks.push_back(
        {true,
         "Nothing that can be made with these drills is likely to meet the target; below stands "
         "why, and how often."});
  else
    remarks = RemarksOn(model, sizing.candidates.front().one);
  remarks.push_back(
      {sizing.pressure_ratio < kUsualRatio,
       fmt::format(
           "The pressure drop is {:.0f} % of the pressure behind the elements. Common practice, no source, "
           "asks for 15 to 20 % or more where feed and chamber might swing together; whether they do, no "
           "flow test tells.",
           100.0 * sizing.pressure_ratio)});
  const double cavitates_below = calib::CavitatesBelow(kShortTubeCd);
  remarks.push_back(
      {sizing.saturation_margin < 2.0 || sizing.cavitation_number < cavitates_below,
       fmt::format(
           "The pressure behind the elements is {:.3g} times the liquid's vapour pressure, the cavitation "
           "number {:.2f}{}.",
           sizing.saturation_margin, sizing.cavitation_number,
           sizing.cavitation_number < cavitates_below
               ? fmt::format(": below {:.2f}, where sharp-edged inlets that take the whole drop may cavitate",
                             cavitates_below)
               : std::string())});
  return remarks;
}

std::vector<std::string> TheoryRatios(double gas_density_kg_m3) {
  const double ratio = gas_density_kg_m3 / kStillAirKgM3;
  return {
      fmt::format(
          "theory ratio, not a prediction: breakup length in gas of {:g} kg/m3 over that in still air of "
          "{:g} kg/m3: {:.2g} (as 1 / gas density: linear instability of sheets, long waves; Senecal et "
          "al. 1999, Han et al. 1997, from memory)",
          gas_density_kg_m3, kStillAirKgM3, 1.0 / ratio),
      fmt::format(
          "theory ratio, not a prediction: D32 likewise: {:.2g} (as gas density^-0.25: Lefebvre 1987; found "
          "with single elements, spread a factor of two)",
          std::pow(ratio, -0.25))};
}

std::vector<std::string> SizeCautions() {
  return {
      "Water or another test liquid in still air at 1 bar says nothing about breakup, drop size or how much "
      "the "
      "cone narrows in dense or hot gas, nor about ignition, combustion, wall heat or stability. None of it "
      "is "
      "predicted here.",
      "Where cones meet each other and the wall is geometry of straight-flying sheets in still air. Gas "
      "drawn in, "
      "chamber flow and density move both.",
      "A number on this page is a start for hardware to be made and flowed cold, one element first. Pressure "
      "vessels, jets and hot firing can injure and kill: local codes and licensed practice come first."};
}

}  // namespace conebook::src
