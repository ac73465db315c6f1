#include "src/size_json.h"

#include <cmath>

#include <nlohmann/json.hpp>

#include "src/output_file.h"
#include "src/version.h"

namespace conebook::src {
namespace {

using Json = nlohmann::ordered_json;

Json Finite(double value) {
  return std::isfinite(value) ? Json(value) : Json(nullptr);
}

Json Of(const SizeValue& value) {
  return {{"value", value.value},
          {"u", value.u},
          {"lo95", value.interval95.lo},
          {"hi95", value.interval95.hi},
          {"shares",
           {{"law", value.law_share},
            {"batch", value.batch_share},
            {"element", value.element_share},
            {"dimensions", value.dimension_share}}}};
}

Json Of(const SizeGeometry& geometry) {
  return {{"exit_diameter_mm", geometry.exit.mm},
          {"inlet_count", geometry.inlets},
          {"inlet_diameter_mm", geometry.inlet.mm},
          {"chamber_diameter_mm", geometry.chamber.mm},
          {"exit_length_mm", geometry.exit_length ? Json(geometry.exit_length->mm) : Json(nullptr)}};
}

Json Of(const SizeFlow& flow) {
  return {{"pressure_drop_bar", flow.pressure_drop_bar},
          {"liquid", flow.liquid.empty() ? Json(nullptr) : Json(flow.liquid)},
          {"density_kg_m3", flow.density_kg_m3},
          {"viscosity_pa_s", flow.viscosity_pa_s}};
}

Json Of(const Reach& reach) {
  Json list = Json::array();
  for (const Extrapolation& extrapolation : reach.extrapolations)
    list.push_back({{"what", extrapolation.what},
                    {"factor", extrapolation.factor},
                    {"value", extrapolation.value},
                    {"lowest_on_record", extrapolation.lowest},
                    {"highest_on_record", extrapolation.highest},
                    {"words", extrapolation.words}});
  return {{"elements", reach.elements},
          {"inside", !reach.Outside()},
          {"extrapolations", list},
          {"outside_hull", reach.elements == 0 ? Json(nullptr) : Json(reach.outside_hull)},
          {"leverage_ratio", reach.elements == 0 ? Json(nullptr) : Finite(reach.leverage_ratio)}};
}

Json Of(const SizePrediction& prediction) {
  Json groups = Json::object();
  for (std::size_t j = 0; j < kSizeGroups; ++j) groups[NameOfGroup(j)] = std::exp(prediction.groups[j]);
  return {
      {"geometry", Of(prediction.geometry)},
      {"flow", Of(prediction.flow)},
      {"groups", groups},
      {"cd", Of(prediction.cd)},
      {"flow_area_mm2", Of(prediction.flow_area_mm2)},
      {"flow_kg_s", Of(prediction.flow_kg_s)},
      {"cone_half_angle_deg", Of(prediction.cone_half_angle_deg)},
      {"theory", {{"cd", prediction.theory_cd}, {"cone_half_angle_deg", prediction.theory_half_angle_deg}}},
      {"flow_reach", Of(prediction.flow_reach)},
      {"angle_reach", Of(prediction.angle_reach)}};
}

Json Of(const SizeLaw& law, const SizePrior& prior, double constant_sd, double element_sd) {
  Json slopes = Json::object(), prior_slopes = Json::object();
  for (std::size_t j = 0; j < kSizeGroups; ++j) {
    const auto at = static_cast<Eigen::Index>(j + 1);
    slopes[NameOfGroup(j)] = {{"value", law.fit.mean[at]}, {"sd", std::sqrt(law.fit.covariance(at, at))}};
    prior_slopes[NameOfGroup(j)] = {{"value", 0.0}, {"sd", prior.slope_sd[j]}};
  }
  Json rows = Json::array();
  for (const SizeRow& row : law.rows)
    rows.push_back({{"element", row.id},
                    {"batch", row.batch},
                    {"imported", row.imported},
                    {"measured", row.measured},
                    {"u", row.u},
                    {"fitted", row.fitted},
                    {"left_out", row.left_out},
                    {"lo95", row.left_out95.lo},
                    {"hi95", row.left_out95.hi},
                    {"held", row.held}});
  return {
      {"elements", law.fit.rows},
      {"groups_of_elements", law.fit.groups},
      {"times_theory", std::exp(law.fit.mean[0])},
      {"times_theory_sd", std::sqrt(law.fit.covariance(0, 0))},
      {"slopes_beside_theory", slopes},
      {"prior",
       {{"times_theory", 1.0},
        {"times_theory_sd", constant_sd},
        {"slopes_beside_theory", prior_slopes},
        {"spread_scale", element_sd},
        {"source", "common practice, no source"}}},
      {"element_sd",
       {{"value", law.fit.element_sd}, {"lo95", law.fit.element_sd95.lo}, {"hi95", law.fit.element_sd95.hi}}},
      {"batch_sd",
       {{"value", law.fit.group_sd}, {"lo95", law.fit.group_sd95.lo}, {"hi95", law.fit.group_sd95.hi}}},
      {"cross_validation",
       {{"held", law.left_out_held}, {"of", law.fit.rows}, {"rms", law.left_out_rms}, {"rows", rows}}}};
}

Json Of(const std::vector<SizeRemark>& remarks, bool warn) {
  Json list = Json::array();
  for (const SizeRemark& remark : remarks)
    if (remark.warn == warn) list.push_back(remark.text);
  return list;
}

Json Head(const SizeModel& model, const std::string& verdict, const std::vector<SizeRemark>& remarks) {
  Json json{
      {"schema", "conebook.size/1"}, {"program", {{"version", ProgramVersion()}, {"build", ProgramBuild()}}},
      {"verdict", verdict},          {"warnings", Of(remarks, true)},
      {"notes", Of(remarks, false)}, {"cautions", SizeCautions()}};
  Json unused = Json::array();
  for (const UnusedElement& element : model.record.unused)
    unused.push_back({{"element", element.id}, {"reason", element.reason}});
  json["record"] = {{"elements", model.record.elements.size()}, {"unused", unused}};
  json["laws"] = {
      {"cd", Of(model.cd, model.prior, model.prior.cd_constant_sd, model.prior.cd_element_sd)},
      {"tangent_of_cone_half_angle",
       Of(model.tangent, model.prior, model.prior.tangent_constant_sd, model.prior.tangent_element_sd)}};
  return json;
}

const char* VerdictOf(const SizePrediction& prediction) {
  if (prediction.flow_reach.elements == 0 && prediction.angle_reach.elements == 0) return "theory_alone";
  return prediction.Outside() ? "extrapolates" : "inside";
}

Json Of(const MeetsAt& meets) {
  return {{"value", meets.mm}, {"lo95", meets.lo95_mm}, {"hi95", meets.hi95_mm}};
}

Json Of(const SizeCandidate& candidate) {
  Json rings = Json::array(), places = Json::array();
  for (const calib::Ring& ring : candidate.layout.rings)
    rings.push_back({{"radius_mm", ring.radius_mm}, {"count", ring.count}});
  for (const calib::Place& place : candidate.layout.places)
    places.push_back({{"x_mm", place.x_mm}, {"y_mm", place.y_mm}, {"ring", place.ring}});
  return {{"elements", candidate.elements},
          {"score", candidate.score},
          {"flow_chance", candidate.flow_chance},
          {"angle_chance", candidate.angle_chance},
          {"one", Of(candidate.one)},
          {"total_flow_kg_s", Of(candidate.total_flow_kg_s)},
          {"layout",
           {{"kind", calib::NameOf(candidate.layout.kind)},
            {"least_pitch_mm", Finite(candidate.layout.least_pitch_mm)},
            {"rings", rings},
            {"places", places}}},
          {"neighbours_meet_mm", candidate.neighbours ? Of(*candidate.neighbours) : Json(nullptr)},
          {"wall_met_mm", Of(candidate.wall)},
          {"drilling",
           {{"linear", candidate.drilling.linear},
            {"drawn", candidate.drilling.drawn},
            {"draws", candidate.drilling.draws},
            {"common_drill", candidate.drilling.common_drill},
            {"agree", candidate.drilling.Agree()}}},
          {"element_to_element", candidate.element_to_element}};
}

Json Of(const SizeTarget& target) {
  return {{"file", NameForResult(target.path)},
          {"total_flow_kg_s", target.total_flow_kg_s},
          {"flow_within_percent", target.flow_within_percent},
          {"pressure_drop_bar", target.pressure_drop_bar},
          {"cone_half_angle_deg", {target.angle_lo_deg, target.angle_hi_deg}},
          {"liquid", target.liquid.name.empty() ? Json(nullptr) : Json(target.liquid.name)},
          {"temperature_c", target.liquid.temperature_c},
          {"density_kg_m3", target.liquid.density_kg_m3},
          {"viscosity_pa_s", target.liquid.viscosity_pa_s},
          {"vapour_pressure_pa", target.liquid.vapour_pressure_pa},
          {"chamber_bar", target.chamber_bar},
          {"plate",
           {{"diameter_mm", target.plate_diameter_mm},
            {"wall_diameter_mm", target.wall_diameter_mm},
            {"wall_clearance_mm", target.wall_clearance_mm},
            {"least_pitch_mm", target.least_pitch_mm}}},
          {"drills",
           {{"inlet_mm", target.inlet_mm},
            {"exit_mm", target.exit_mm},
            {"chamber_mm", target.chamber_mm},
            {"inlet_count", target.inlet_counts},
            {"tolerance_mm", target.tolerance_mm}}}};
}

}  // namespace

std::string SizeJson(const SizeModel& model, const SizePrediction& prediction) {
  Json json = Head(model, VerdictOf(prediction), RemarksOn(model, prediction));
  json["prediction"] = Of(prediction);
  return json.dump(2) + "\n";
}

std::string SizeJson(const SizeModel& model, const Sizing& sizing) {
  const std::string verdict =
      sizing.candidates.empty() ? "nothing_fits" : VerdictOf(sizing.candidates.front().one);
  Json json = Head(model, verdict, RemarksOn(model, sizing));
  json["target"] = Of(sizing.target);
  json["pressure_ratio"] = sizing.pressure_ratio;
  json["cavitation_number"] = sizing.cavitation_number;
  json["saturation_margin"] = sizing.saturation_margin;
  json["theory_ratios"] =
      sizing.target.gas_density_kg_m3 ? Json(TheoryRatios(*sizing.target.gas_density_kg_m3)) : Json::array();
  json["combinations"] = sizing.combinations;
  json["left_out"] = Json::array();
  for (const LeftOutCombination& one : sizing.left_out)
    json["left_out"].push_back({{"reason", one.reason}, {"count", one.count}});
  json["plate_holds"] = {{"rings", sizing.fullest_rings},
                         {"hexagonal", sizing.fullest_hexagonal},
                         {"no_arrangement_more_than", sizing.most_that_fit}};
  json["candidates"] = Json::array();
  for (const SizeCandidate& candidate : sizing.candidates) json["candidates"].push_back(Of(candidate));
  json["next_element"] = nullptr;
  if (sizing.next) {
    json["next_element"] = {{"geometry", Of(sizing.next->geometry)},
                            {"is_the_first_candidate", sizing.next->is_the_candidate},
                            {"considered", sizing.next->considered},
                            {"flow_half_width_now", sizing.next->flow_now},
                            {"flow_half_width_after", sizing.next->flow_after},
                            {"tangent_half_width_now", sizing.next->tangent_now},
                            {"tangent_half_width_after", sizing.next->tangent_after}};
  }
  return json.dump(2) + "\n";
}

}  // namespace conebook::src
