
#include <nlohmann/json.hpp>

#include "src/compare.h"
#include "src/quantity_json.h"
#include "src/version.h"

namespace conebook::src {
namespace {

using Json = nlohmann::ordered_json;

Json Number(double value) {
  return FiniteNumber(value);
}

Json FromOptional(const std::optional<double>& value) {
  return value ? Number(*value) : Json(nullptr);
}

Json FromText(const std::string& text) {
  return text.empty() ? Json(nullptr) : Json(text);
}

Json FromGroup(const ComparedGroup& group) {
  return {{"name", group.name},       {"elements", group.elements},
          {"batches", group.batches}, {"days", group.days},
          {"runs", group.runs},       {"runs_without_pressure", group.runs_without_pressure}};
}

Json FromDifference(const calib::Difference& difference) {
  const calib::Interval interval = calib::IntervalOf(difference, 0.95);
  return {{"value", Number(difference.value)},
          {"u", Number(difference.u)},
          {"dof", Number(difference.dof)},
          {"lo95", Number(interval.lo)},
          {"hi95", Number(interval.hi)}};
}

Json FromQuantity(const ComparedQuantity& from) {
  Json json{{"quantity", NameOf(from.quantity)},
            {"title", TitleOf(from.quantity)},
            {"unit", UnitOf(from.quantity)},
            {"refused", FromText(from.refused)}};
  if (!from.refused.empty()) return json;
  json["verdict"] = from.verdict;
  json["mean"] = {Number(from.mean[0]), Number(from.mean[1])};
  json["difference"] = FromDifference(from.difference);
  json["difference"]["u_scatter"] = Number(from.u_scatter);
  json["difference"]["u_shared"] = Number(from.u_shared);
  json["p"] = from.p_holm ? Number(from.p) : Json(nullptr);
  json["p_holm"] = FromOptional(from.p_holm);
  json["findable"] = Number(from.findable);
  json["elements"] = from.elements;
  json["readings"] = from.readings;
  json["days"] = from.days;
  json["check_elements"] = from.check_elements;
  json["days_told"] = from.days_told;
  json["one_spread"] = from.one_spread;
  Json elements(nullptr);
  if (!from.spread_of_elements.empty()) {
    elements = Json::array();
    for (const double spread : from.spread_of_elements) elements.push_back(Number(spread));
  }
  json["spread"] = {{"elements", elements},
                    {"mounts", FromOptional(from.spread_of_mounts)},
                    {"readings", FromOptional(from.spread_of_readings)}};
  json["covariates"] = Json::array();
  for (const Covariate& covariate : from.covariates) {
    const calib::Interval interval = calib::IntervalOf({covariate.slope, covariate.u, covariate.dof}, 0.95);
    json["covariates"].push_back(
        {{"name", covariate.name},
         {"unit", covariate.unit},
         {"slope", Number(covariate.slope)},
         {"u", Number(covariate.u)},
         {"lo95", Number(interval.lo)},
         {"hi95", Number(interval.hi)},
         {"taken_out", covariate.taken_out},
         {"rest", covariate.rest ? FromDifference(*covariate.rest) : Json(nullptr)}});
  }
  json["margin"] = FromOptional(from.margin);
  json["equivalence"] = nullptr;
  if (from.equivalence) {
    json["equivalence"] = {{"verdict", calib::NameOf(from.equivalence->verdict)},
                           {"p", Number(from.equivalence->p)},
                           {"lo90", Number(from.equivalence->interval90.lo)},
                           {"hi90", Number(from.equivalence->interval90.hi)},
                           {"elements_more", from.elements_more ? Json(*from.elements_more) : Json(nullptr)}};
  }
  json["members"] = Json::array();
  for (const ComparedElement& member : from.members) {
    json["members"].push_back({{"element", member.element},
                               {"group", member.group + 1},
                               {"value", Number(member.value)},
                               {"u", Number(member.u)},
                               {"readings", member.readings},
                               {"days", member.days},
                               {"outlying", member.outlying},
                               {"p_outlying", FromOptional(member.p_outlying)}});
  }
  json["notes"] = from.notes;
  return json;
}

Json FromPart(const FlowSplit::Part& part) {
  return {{"value", Number(part.percent)},
          {"lo95", Number(part.interval95.lo)},
          {"hi95", Number(part.interval95.hi)}};
}

Json FromSplit(const FlowSplit& split) {
  if (!split.refused.empty()) return {{"refused", split.refused}};
  return {{"refused", nullptr},
          {"rests_on", split.rests_on},
          {"elements", split.elements},
          {"whole_percent", FromPart(split.whole)},
          {"bores_percent", FromPart(split.bores)},
          {"cd_percent", FromPart(split.cd)}};
}

}  // namespace

std::string CompareJson(const Comparison& comparison) {
  Json json;
  json["schema"] = "conebook.compare/1";
  json["program"] = {{"version", ProgramVersion()}, {"build", ProgramBuild()}};
  json["at_bar"] = Number(comparison.at_bar);
  json["at_bar_found"] = comparison.at_bar_found;
  json["groups"] = Json::array();
  for (const ComparedGroup& group : comparison.groups) json["groups"].push_back(FromGroup(group));
  json["check_elements"] = comparison.check_elements;
  json["model"] = {{"difference", "second group less first"},
                   {"random", {"element", "mount", "reading"}},
                   {"taken_out", {"day"}},
                   {"variances", "restricted maximum likelihood"},
                   {"dof", "Kenward-Roger"},
                   {"several_tests", "Holm, 5 % over all quantities"},
                   {"equivalence", "two one-sided tests, 5 %"}};
  json["quantities"] = Json::array();
  for (const ComparedQuantity& quantity : comparison.quantities)
    json["quantities"].push_back(FromQuantity(quantity));
  json["flow_split"] = FromSplit(comparison.flow_split);
  json["maybe_swapped"] = Json::array();
  for (const SwappedLabel& label : comparison.maybe_swapped) {
    json["maybe_swapped"].push_back({{"element", label.element},
                                     {"date", FromText(label.date)},
                                     {"fits", label.fits},
                                     {"exchanged", label.exchanged}});
  }
  json["cautions"] = comparison.cautions;
  return json.dump(2, ' ', false, Json::error_handler_t::replace) + "\n";
}

}  // namespace conebook::src
