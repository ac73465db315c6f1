#include "src/quantity_json.h"

#include <cmath>
#include <stdexcept>

#include <nlohmann/json.hpp>

namespace conebook::src {
namespace {

using Json = nlohmann::ordered_json;

calib::Shared SharedNamed(const std::string& name) {
  for (const calib::Shared shared : {calib::Shared::kFrames, calib::Shared::kClip, calib::Shared::kRig,
                                     calib::Shared::kMeter, calib::Shared::kDay, calib::Shared::kModel}) {
    if (name == calib::NameOf(shared)) return shared;
  }
  return calib::Shared::kClip;
}

}  // namespace

double FiniteNumber(double value) {
  if (!std::isfinite(value)) throw std::logic_error("a number to be written is not finite");
  return value == 0.0 ? 0.0 : value;
}

std::string QuantityJson(const calib::Quantity& quantity) {
  Json json;
  json["value"] = FiniteNumber(quantity.value);
  json["u"] = FiniteNumber(quantity.u);
  if (std::isfinite(quantity.dof)) json["dof"] = FiniteNumber(quantity.dof);
  const calib::Interval interval = calib::Interval95(quantity);
  json["lo95"] = FiniteNumber(interval.lo);
  json["hi95"] = FiniteNumber(interval.hi);
  if (!quantity.budget.empty()) {
    json["budget"] = Json::array();
    for (const calib::Contribution& part : quantity.budget) {
      json["budget"].push_back(
          {{"source", part.source}, {"u", FiniteNumber(part.u)}, {"shared", calib::NameOf(part.shared)}});
    }
  }
  return json.dump();
}

std::optional<calib::Quantity> QuantityFromJson(const std::string& text) {
  const Json json = Json::parse(text);
  if (!json.is_object() || !json.contains("value")) return std::nullopt;
  calib::Quantity quantity;
  quantity.value = json.at("value").get<double>();
  quantity.u = json.at("u").get<double>();
  if (json.contains("dof")) quantity.dof = json.at("dof").get<double>();
  if (json.contains("budget")) {
    for (const Json& part : json.at("budget")) {
      quantity.budget.push_back({part.at("source").get<std::string>(), part.at("u").get<double>(),
                                 SharedNamed(part.at("shared").get<std::string>())});
    }
  }
  return quantity;
}

}  // namespace conebook::src
