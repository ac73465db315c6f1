#include "src/match_json.h"

#include <cmath>
#include <filesystem>
#include <fstream>
#include <sstream>

#include <nlohmann/json.hpp>

#include <calib/error.h>

#include "src/output_file.h"
#include "src/quantity_json.h"

namespace conebook::src {
namespace {

using Json = nlohmann::ordered_json;

template <typename T>
Json OrNull(const std::optional<T>& value) {
  return value ? Json(*value) : Json(nullptr);
}

Json FromQuantity(const calib::Quantity& quantity) {
  return Json::parse(QuantityJson(quantity));
}

Json FromReading(const std::optional<StockReading>& reading) {
  if (!reading) return nullptr;
  return {{"value", reading->value}, {"u", reading->u},       {"own_u", reading->own_u},
          {"runs", reading->runs},   {"date", reading->date}, {"records", reading->records}};
}

Json FromMeasures(const calib::MatchMeasures& measures) {
  return {{"flow_spread_percent", measures.flow_spread_percent},
          {"angle_spread_deg", OrNull(measures.angle_spread_deg)},
          {"ratio_spread_percent", OrNull(measures.ratio_spread_percent)},
          {"first_harmonic_percent", measures.first_harmonic_percent},
          {"second_harmonic_percent", measures.second_harmonic_percent},
          {"mean_lean_deg", OrNull(measures.mean_lean_deg)}};
}

Json FromJudged(const JudgedLimit& judged, const MatchPlate& plate) {
  Json json{{"quantity", judged.limit.quantity}};
  if (judged.limit.circuit >= 0)
    json["circuit"] = plate.circuits[static_cast<std::size_t>(judged.limit.circuit)];
  json["lower"] = OrNull(judged.limit.tolerance.lower);
  json["upper"] = OrNull(judged.limit.tolerance.upper);
  json["reading"] = judged.reading ? FromQuantity(*judged.reading) : Json(nullptr);
  if (judged.result) {
    json["decision"] = calib::NameOf(judged.result->decision);
    json["probability"] = judged.result->probability;
    json["guard_band"] = judged.result->guard_band;
  } else {
    json["decision"] = "undecided";
    json["missing"] = judged.missing;
  }
  return json;
}

Json FromLine(const StockLine& line, const MatchPlate& plate) {
  const StockElement& element = line.element;
  Json json{{"element", element.element},
            {"batch", element.batch},
            {"state", element.state},
            {"decision", calib::NameOf(line.verdict[0].decision)},
            {"probability", line.verdict[0].probability},
            {"reason", line.verdict[0].reason}};
  if (plate.HasWallRow())
    json["wall"] = {{"decision", calib::NameOf(line.verdict[1].decision)},
                    {"probability", line.verdict[1].probability},
                    {"reason", line.verdict[1].reason}};
  json["flow_area_mm2"] = Json::array();
  for (const auto& area : element.flow_area_mm2) json["flow_area_mm2"].push_back(FromReading(area));
  const auto angle = element.readings.find("cone_half_angle_deg");
  json["cone_half_angle_deg"] =
      angle == element.readings.end() ? Json(nullptr) : FromReading(std::optional(angle->second));
  json["circuit_ratio"] = FromReading(element.circuit_ratio);
  json["lean"] = nullptr;
  if (element.lean)
    json["lean"] = {{"size_deg", FromQuantity(element.lean->size_deg)},
                    {"direction_deg", element.lean->direction_deg},
                    {"u_direction_deg", element.lean->u_direction_deg}};
  json["limits"] = Json::array();
  for (const JudgedLimit& judged : line.verdict[0].judged)
    json["limits"].push_back(FromJudged(judged, plate));
  if (plate.HasWallRow()) {
    json["wall"]["limits"] = Json::array();
    for (const JudgedLimit& judged : line.verdict[1].judged)
      json["wall"]["limits"].push_back(FromJudged(judged, plate));
  }
  return json;
}

Json FromSettings(const MatchResult& result) {
  const calib::MatchWeights& w = result.plate.weights;
  const calib::MatchScales& s = result.problem.scales;
  Json targets = Json::array();
  for (std::size_t g = 0; g < result.problem.targets.size(); ++g)
    targets.push_back({{"group", g == 1 ? "wall" : "core"},
                       {"flow_area_mm2", result.problem.targets[g].flow_area_mm2},
                       {"cone_half_angle_deg", result.problem.targets[g].angle_deg}});
  return {{"guard_u", result.plate.guard_u},
          {"use_undecided", result.plate.use_undecided},
          {"weights",
           {{"flow", w.flow},
            {"angle", w.angle},
            {"circuit_ratio", w.circuit_ratio},
            {"first_harmonic", w.first_harmonic},
            {"second_harmonic", w.second_harmonic},
            {"lean", w.lean}}},
          {"scales",
           {{"flow_percent", s.flow_percent},
            {"angle_deg", s.angle_deg},
            {"ratio_percent", s.ratio_percent},
            {"lean_deg", s.lean_deg}}},
          {"targets", targets}};
}

Json NamesOf(const std::vector<std::size_t>& stock, const MatchResult& result) {
  Json names = Json::array();
  for (const std::size_t i : stock) names.push_back(result.stock[i].element.element);
  return names;
}

void AddFound(const MatchResult& result, const MatchFound& found, Json& json) {
  const double score = found.answer.best.score;
  json["score"] = {{"value", score},
                   {"bound", found.answer.bound},
                   {"gap_percent", score > 0.0 ? 100.0 * (1.0 - found.answer.bound / score) : 0.0},
                   {"exact", found.answer.exact},
                   {"expected", found.expected.root_mean_square.score},
                   {"u", found.expected.u_score},
                   {"measures", FromMeasures(found.measures)},
                   {"expected_measures", FromMeasures(found.expected.root_mean_square)}};
  json["positions"] = Json::array();
  json["elements"] = Json::array();
  for (std::size_t s = 0; s < found.sites.size(); ++s) {
    const MatchPosition& position = result.plate.positions[s];
    const SiteResult& site = found.sites[s];
    const std::string& name = result.stock[site.stock].element.element;
    json["elements"].push_back(name);
    json["positions"].push_back({{"position", position.name},
                                 {"ring", position.ring},
                                 {"radius_mm", position.radius_mm},
                                 {"angle_deg", position.angle_deg},
                                 {"wall", position.wall},
                                 {"mark_deg", OrNull(position.mark_deg)},
                                 {"element", name},
                                 {"flow_deviation_percent", site.flow_deviation_percent},
                                 {"angle_deviation_deg", OrNull(site.angle_deviation_deg)},
                                 {"ratio_deviation_percent", OrNull(site.ratio_deviation_percent)},
                                 {"lean_azimuth_deg", OrNull(site.lean_azimuth_deg)}});
  }
  json["sorted_by_flow"] = nullptr;
  if (found.sorted)
    json["sorted_by_flow"] = {{"score", found.sorted->score},
                              {"measures", FromMeasures(*found.sorted)},
                              {"difference", found.sorted_behind.difference},
                              {"u", found.sorted_behind.u},
                              {"match_is_better", !found.sorted_behind.Tied()}};
  Json ties = Json::array();
  for (const TiedChoice& tie : found.ties)
    ties.push_back({{"without", NamesOf(tie.out, result)},
                    {"instead", NamesOf(tie.in, result)},
                    {"score", tie.score},
                    {"difference", tie.behind.difference},
                    {"u", tie.behind.u}});
  json["ties"] = {{"choices", found.tied_choices}, {"listed", ties}};
  json["spares"] = Json::array();
  for (const calib::Spare& spare : found.spares) {
    const auto site = static_cast<std::size_t>(spare.best_site);
    json["spares"].push_back(
        {{"rank", spare.rank},
         {"element", result.stock[static_cast<std::size_t>(spare.element)].element.element},
         {"positions", spare.sites},
         {"mean_score", spare.mean_score},
         {"worst_score", spare.worst_score},
         {"best_position", result.plate.positions[site].name},
         {"best_score", spare.best_score},
         {"behind_first", spare.behind_first.difference},
         {"u_behind_first", spare.behind_first.u}});
  }
  json["expected_nonconforming"] = found.expected_nonconforming;
  json["predicted"] = Json::array();
  for (const PredictedFlow& row : found.predicted) {
    Json areas = Json::array(), flows = Json::array();
    for (const calib::Quantity& area : row.flow_area_mm2) areas.push_back(FromQuantity(area));
    for (const calib::Quantity& flow : row.flow_kg_s) flows.push_back(FromQuantity(flow));
    json["predicted"].push_back(
        {{"pressure_drop_bar", row.pressure_drop_bar}, {"flow_area_mm2", areas}, {"flow_kg_s", flows}});
  }
}

}  // namespace

std::string MatchJson(const MatchResult& result) {
  Json json{{"schema", "conebook.match/1"},
            {"verdict", result.found ? "matched" : "infeasible"},
            {"plate", result.plate.id},
            {"plate_file", {{"path", NameForResult(result.plate.path)}, {"sha256", result.plate.sha256}}},
            {"archive", NameForResult(result.archive)},
            {"pressure_drop_bar", result.pressure_drop_bar},
            {"liquid", result.plate.liquid},
            {"temperature_c", result.plate.temperature_c},
            {"circuits", result.plate.circuits},
            {"settings", FromSettings(result)},
            {"notes", result.notes},
            {"infeasible", result.infeasible}};
  json["stock"] = Json::array();
  for (const StockLine& line : result.stock) json["stock"].push_back(FromLine(line, result.plate));
  if (result.found) AddFound(result, *result.found, json);
  return json.dump(2) + "\n";
}

std::vector<std::string> ElementsOfMatch(const std::string& path) {
  std::ifstream file(path, std::ios::binary);
  if (!file) throw calib::InputError(path + ": cannot be opened; conebook match --json writes such a file");
  std::ostringstream text;
  text << file.rdbuf();
  const auto json = nlohmann::json::parse(text.str(), nullptr, false);
  if (!json.is_object() || json.value("schema", "") != "conebook.match/1")
    throw calib::InputError(path + ": expected what conebook match --json writes, schema conebook.match/1");
  std::vector<std::string> names;
  if (const auto list = json.find("elements"); list != json.end() && list->is_array())
    for (const auto& name : *list)
      if (name.is_string()) names.push_back(name.get<std::string>());
  if (names.empty()) throw calib::InputError(path + ": this match found no plate: it names no elements");
  return names;
}

}  // namespace conebook::src
