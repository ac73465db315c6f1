#include "src/spread_json.h"

#include <vector>

#include <nlohmann/json.hpp>

#include "src/quantity_json.h"

namespace conebook::src {
namespace {

using Json = nlohmann::ordered_json;

Json Number(double value) {
  return FiniteNumber(value);
}

Json From(const calib::Quantity& quantity) {
  return Json::parse(QuantityJson(quantity));
}

Json From(const std::optional<calib::Quantity>& quantity) {
  return quantity ? From(*quantity) : Json(nullptr);
}

Json From(const std::vector<double>& numbers) {
  Json json = Json::array();
  for (const double number : numbers) json.push_back(Number(number));
  return json;
}

const Json* At(const Json& json, const char* key) {
  const auto found = json.find(key);
  return found == json.end() || found->is_null() ? nullptr : &*found;
}

std::optional<calib::Quantity> ToQuantity(const Json* json) {
  return json == nullptr ? std::nullopt : QuantityFromJson(json->dump());
}

calib::Quantity ToQuantity(const Json& json) {
  return QuantityFromJson(json.dump()).value();
}

std::vector<double> ToNumbers(const Json& json, const char* key) {
  return json.at(key).get<std::vector<double>>();
}

Json From(const calib::CollectorFlow& flow, bool sector) {
  Json json{{"index", flow.index}, {"flow_g_s", From(flow.flow_g_s)}, {"share", From(flow.share)}};
  if (sector) json["angle_deg"] = Number(flow.angle_deg);
  if (flow.flux_g_s_mm2) json["flux_g_s_mm2"] = From(*flow.flux_g_s_mm2);
  return json;
}

calib::CollectorFlow ToFlow(const Json& json) {
  calib::CollectorFlow flow;
  flow.index = json.at("index").get<int>();
  flow.flow_g_s = ToQuantity(json.at("flow_g_s"));
  flow.share = ToQuantity(json.at("share"));
  if (const Json* angle = At(json, "angle_deg")) flow.angle_deg = angle->get<double>();
  flow.flux_g_s_mm2 = ToQuantity(At(json, "flux_g_s_mm2"));
  return flow;
}

}  // namespace

std::string EvennessJson(const vision::Evenness& evenness, bool in_mm) {
  Json json;
  json["of"] = "extinction";
  json["band_mm"] = in_mm ? From(std::vector<double>{evenness.from_mm, evenness.to_mm}) : Json(nullptr);
  json["at_mm"] = in_mm ? Number(evenness.at_mm) : Json(nullptr);
  json["frames"] = evenness.frames;
  json["balance"] = From(evenness.balance);
  json["streaks"] = Json::array();
  for (const vision::Streak& streak : evenness.streaks)
    json["streaks"].push_back({{"angle_deg", Number(streak.angle_deg)}, {"strength", From(streak.strength)}});
  json["least_streak"] = Number(evenness.least_streak);
  json["across"] = {{"angle_deg", From(evenness.angle_deg)},
                    {"absorbance", From(evenness.absorbance)},
                    {"u_absorbance", From(evenness.u_absorbance)}};
  json["profile"] = nullptr;
  json["no_profile"] = nullptr;
  if (evenness.profile) {
    const vision::ExtinctionProfile& profile = *evenness.profile;
    json["profile"] = {{"peak_radius_mm", From(profile.peak_radius_mm)},
                       {"peak_angle_deg", From(profile.peak_angle_deg)},
                       {"hollowness", From(profile.hollowness)},
                       {"peak_on_axis", profile.peak_on_axis},
                       {"radius_mm", From(profile.radius_mm)},
                       {"extinction_per_mm", From(profile.extinction_per_mm)},
                       {"u_per_mm", From(profile.u_per_mm)}};
  } else {
    json["no_profile"] = evenness.no_profile;
  }
  return json.dump();
}

vision::Evenness EvennessFromJson(const std::string& text) {
  const Json json = Json::parse(text);
  vision::Evenness evenness;
  if (const Json* band = At(json, "band_mm")) {
    evenness.from_mm = band->at(0).get<double>();
    evenness.to_mm = band->at(1).get<double>();
    evenness.at_mm = json.at("at_mm").get<double>();
  }
  evenness.frames = json.at("frames").get<int>();
  evenness.balance = ToQuantity(json.at("balance"));
  for (const Json& streak : json.at("streaks"))
    evenness.streaks.push_back({streak.at("angle_deg").get<double>(), ToQuantity(streak.at("strength"))});
  evenness.least_streak = json.at("least_streak").get<double>();
  const Json& across = json.at("across");
  evenness.angle_deg = ToNumbers(across, "angle_deg");
  evenness.absorbance = ToNumbers(across, "absorbance");
  evenness.u_absorbance = ToNumbers(across, "u_absorbance");
  if (const Json* profile = At(json, "profile")) {
    vision::ExtinctionProfile& to = evenness.profile.emplace();
    to.peak_radius_mm = ToQuantity(profile->at("peak_radius_mm"));
    to.peak_angle_deg = ToQuantity(profile->at("peak_angle_deg"));
    to.hollowness = ToQuantity(profile->at("hollowness"));
    to.peak_on_axis = profile->at("peak_on_axis").get<bool>();
    to.radius_mm = ToNumbers(*profile, "radius_mm");
    to.extinction_per_mm = ToNumbers(*profile, "extinction_per_mm");
    to.u_per_mm = ToNumbers(*profile, "u_per_mm");
  } else {
    evenness.no_profile = json.at("no_profile").get<std::string>();
  }
  return evenness;
}

std::string WavesJson(const vision::EdgeWaves& waves, const std::optional<calib::Quantity>& speed_part) {
  Json json;
  json["wavelength_mm"] = From(waves.wavelength_mm);
  json["speed_m_s"] = From(waves.speed_m_s);
  json["of_liquid_speed"] = From(speed_part);
  json["no_speed"] = waves.speed_m_s ? Json(nullptr) : Json(waves.no_speed);
  json["alias_step_m_s"] = Number(waves.alias_step_m_s);
  json["ambiguous"] = waves.ambiguous;
  json["rows_mm"] = From(std::vector<double>{waves.from_mm, waves.to_mm});
  json["rms_mm"] = Number(waves.rms_mm);
  json["interval_s"] = Number(waves.interval_s);
  json["picture_s"] = Number(waves.picture_s);
  return json.dump();
}

vision::EdgeWaves WavesFromJson(const std::string& text, std::optional<calib::Quantity>& speed_part) {
  const Json json = Json::parse(text);
  vision::EdgeWaves waves;
  waves.wavelength_mm = ToQuantity(json.at("wavelength_mm"));
  waves.speed_m_s = ToQuantity(At(json, "speed_m_s"));
  speed_part = ToQuantity(At(json, "of_liquid_speed"));
  if (const Json* why = At(json, "no_speed")) waves.no_speed = why->get<std::string>();
  waves.alias_step_m_s = json.at("alias_step_m_s").get<double>();
  waves.ambiguous = json.at("ambiguous").get<bool>();
  waves.from_mm = json.at("rows_mm").at(0).get<double>();
  waves.to_mm = json.at("rows_mm").at(1).get<double>();
  waves.rms_mm = json.at("rms_mm").get<double>();
  waves.interval_s = json.at("interval_s").get<double>();
  waves.picture_s = json.at("picture_s").get<double>();
  return waves;
}

std::string CollectedJson(const calib::Patternation& collected) {
  Json json;
  json["of"] = "mass";
  json["total_g_s"] = From(collected.total_g_s);
  json["repeats"] = collected.repeats;
  json["sectors"] = Json::array();
  for (const calib::CollectorFlow& flow : collected.sectors) json["sectors"].push_back(From(flow, true));
  json["rings"] = Json::array();
  for (const calib::CollectorFlow& flow : collected.rings) json["rings"].push_back(From(flow, false));
  if (!collected.ring_edge_mm.empty()) json["ring_edges_mm"] = From(collected.ring_edge_mm);
  json["non_uniformity"] = From(collected.non_uniformity);
  json["non_uniformity_by_noise"] = Number(collected.non_uniformity_by_noise);
  json["largest_over_smallest"] =
      collected.largest_over_smallest ? Number(*collected.largest_over_smallest) : Json(nullptr);
  json["imbalance"] = nullptr;
  if (collected.imbalance) {
    json["imbalance"] = {{"relative", From(collected.imbalance->relative)},
                         {"x", From(collected.imbalance->x)},
                         {"y", From(collected.imbalance->y)},
                         {"direction_deg", From(collected.imbalance->direction_deg)}};
  }
  json["mean_radius_mm"] = From(collected.mean_radius_mm);
  return json.dump();
}

calib::Patternation CollectedFromJson(const std::string& text) {
  const Json json = Json::parse(text);
  calib::Patternation collected;
  collected.total_g_s = ToQuantity(json.at("total_g_s"));
  collected.repeats = json.at("repeats").get<int>();
  for (const Json& flow : json.at("sectors")) collected.sectors.push_back(ToFlow(flow));
  for (const Json& flow : json.at("rings")) collected.rings.push_back(ToFlow(flow));
  if (At(json, "ring_edges_mm") != nullptr) collected.ring_edge_mm = ToNumbers(json, "ring_edges_mm");
  collected.non_uniformity = ToQuantity(At(json, "non_uniformity"));
  collected.non_uniformity_by_noise = json.at("non_uniformity_by_noise").get<double>();
  if (const Json* ratio = At(json, "largest_over_smallest"))
    collected.largest_over_smallest = ratio->get<double>();
  if (const Json* imbalance = At(json, "imbalance")) {
    collected.imbalance =
        calib::Imbalance{ToQuantity(imbalance->at("relative")), ToQuantity(imbalance->at("x")),
                         ToQuantity(imbalance->at("y")), ToQuantity(At(*imbalance, "direction_deg"))};
  }
  collected.mean_radius_mm = ToQuantity(At(json, "mean_radius_mm"));
  return collected;
}

std::string DropSpeedJson(const DropSpeedInSpace& speed) {
  const Json json{{"speed_m_s", From(speed.speed_m_s)},
                  {"scatter_m_s", Number(speed.scatter_m_s)},
                  {"direction_deg", Number(speed.direction_deg)},
                  {"tracks", speed.tracks},
                  {"by_chance", Number(speed.by_chance)}};
  return json.dump();
}

DropSpeedInSpace DropSpeedFromJson(const std::string& text) {
  const Json json = Json::parse(text);
  DropSpeedInSpace speed;
  speed.speed_m_s = ToQuantity(json.at("speed_m_s"));
  speed.scatter_m_s = json.at("scatter_m_s").get<double>();
  speed.direction_deg = json.at("direction_deg").get<double>();
  speed.tracks = json.at("tracks").get<int>();
  speed.by_chance = json.at("by_chance").get<double>();
  return speed;
}

}  // namespace conebook::src
