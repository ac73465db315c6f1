#include "src/day_json.h"

#include <nlohmann/json.hpp>

#include "src/quantity_json.h"
#include "src/views.h"

namespace conebook::src {
namespace {

using Json = nlohmann::ordered_json;

Json Number(double value) {
  return FiniteNumber(value);
}

Json FromQuantity(const calib::Quantity& quantity) {
  return Json::parse(QuantityJson(quantity));
}

Json FromOptional(const std::optional<double>& value) {
  return value ? Number(*value) : Json(nullptr);
}

Json FromMap(const calib::Circumferential& map) {
  Json json;
  json["unevenness"] = Number(map.unevenness);
  json["unevenness_by_noise"] = Number(map.by_noise);
  json["harmonics"] = Json::array();
  for (const calib::Harmonic& harmonic : map.harmonics) {
    json["harmonics"].push_back({{"order", harmonic.order},
                                 {"told", harmonic.told},
                                 {"amplitude", Number(harmonic.amplitude)},
                                 {"u", Number(harmonic.u)},
                                 {"direction_deg", Number(harmonic.direction_deg)},
                                 {"u_direction_deg", FromOptional(harmonic.u_direction_deg)}});
  }
  json["around"] = Json::array();
  for (std::size_t k = 0; k < map.azimuth_deg.size(); ++k) {
    json["around"].push_back({{"azimuth_deg", Number(map.azimuth_deg[k])},
                              {"relative", Number(map.relative[k])},
                              {"u", Number(map.u[k])}});
  }
  return json;
}

Json FromViews(const ElementViews& views) {
  Json json;
  json["element"] = views.element;
  json["pressure_bar"] = FromOptional(views.pressure_bar);
  json["seen"] = Json::array();
  for (std::size_t i = 0; i < views.rotation_deg.size(); ++i) {
    json["seen"].push_back({{"rotation_deg", Number(views.rotation_deg[i])},
                            {"lean_deg", Number(views.lean_deg[i])},
                            {"u_lean_deg", Number(views.u_lean_deg[i])}});
  }
  json["lean"] = nullptr;
  if (views.lean) {
    json["lean"] = {{"size_deg", FromQuantity(views.lean->size_deg)},
                    {"direction_deg", Number(views.lean->direction_deg)},
                    {"u_direction_deg", Number(views.lean->u_direction_deg)},
                    {"holder_deg", FromQuantity(views.lean->holder_deg)}};
  }
  json["around"] = Json::array();
  for (const SideAround& side : views.around) {
    json["around"].push_back({{"azimuth_deg", Number(side.azimuth_deg)},
                              {"half_angle_deg", Number(side.half_angle_deg)},
                              {"u", Number(side.u_deg)}});
  }
  json["spread_deg"] = FromOptional(views.spread_deg);
  json["extinction"] = views.map ? FromMap(*views.map) : Json(nullptr);
  if (!views.map && !views.no_map.empty()) json["no_extinction"] = views.no_map;
  json["flags"] = Json::array();
  for (const calib::Flag& flag : views.flags)
    json["flags"].push_back({{"code", flag.code}, {"message", flag.message}});
  return json;
}

Json FromCheck(const ElementCheck& check) {
  Json json;
  json["element"] = check.element;
  json["flow_area_mm2"] = Json::array();
  for (const calib::Quantity& area : check.today_mm2) json["flow_area_mm2"].push_back(FromQuantity(area));
  json["earlier_mm2"] = Json::array();
  for (const CheckFlow& flow : check.earlier) json["earlier_mm2"].push_back(Number(flow.area_mm2.value));
  json["limits_mm2"] = nullptr;
  if (check.limits)
    json["limits_mm2"] = Json::array({Number(check.limits->lower), Number(check.limits->upper)});
  json["flags"] = Json::array();
  for (const calib::Flag& flag : check.flags)
    json["flags"].push_back({{"code", flag.code}, {"message", flag.message}, {"advice", flag.advice}});
  return json;
}

Json FromCheck(const MeterCheck& check) {
  Json json;
  json["element"] = check.element;
  json["bucket_bar"] = Number(check.bucket_bar);
  json["meter_bar"] = Number(check.meter_bar);
  json["difference_percent"] = FromQuantity(check.difference_percent);
  json["e_n"] = Number(check.e_n);
  json["flags"] = Json::array();
  for (const calib::Flag& flag : check.flags)
    json["flags"].push_back({{"code", flag.code}, {"message", flag.message}, {"advice", flag.advice}});
  return json;
}

}  // namespace

std::string DayJson(const DayReport& day, const std::vector<std::string>& result_files) {
  Json json;
  json["schema"] = "conebook.day/1";
  json["name"] = day.name;
  json["sheet"] = day.sheet_path;
  json["clips"] = Json::array();
  for (std::size_t k = 0; k < day.entries.size(); ++k) {
    const DayEntry& entry = day.entries[k];
    Json clip;
    clip["file"] = entry.clip;
    clip["element"] = entry.element;
    clip["batch"] = entry.batch;
    clip["order"] = k + 1;  // in which they were run, as the sheet lists them
    clip["mount"] = entry.mount ? Json(*entry.mount) : Json(nullptr);
    clip["verdict"] = entry.run ? Json(NameOf(entry.run->GetVerdict())) : Json(nullptr);
    clip["result"] = entry.run ? Json(result_files[k]) : Json(nullptr);
    clip["error"] = entry.run ? Json(nullptr) : Json(entry.error);
    // In order of the result's own flags: above the rated pressure comes first.
    clip["flags"] = Json::array();
    if (entry.run) {
      for (const calib::Flag& flag : entry.run->flags) {
        if (flag.severity != calib::Severity::kInfo) clip["flags"].push_back(flag.code);
      }
    }
    json["clips"].push_back(std::move(clip));
  }
  json["checks"] = Json::array();
  for (const ElementCheck& check : day.checks) json["checks"].push_back(FromCheck(check));
  json["meter_checks"] = Json::array();
  for (const MeterCheck& check : day.meter_checks) json["meter_checks"].push_back(FromCheck(check));
  json["views"] = Json::array();
  for (const ElementViews& views : ViewsOf(RunsOf(day))) json["views"].push_back(FromViews(views));
  return json.dump(2, ' ', false, Json::error_handler_t::replace) + "\n";
}

}  // namespace conebook::src
