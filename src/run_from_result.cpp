#include "src/run_from_result.h"

#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include "src/quantity_json.h"
#include "src/result_json.h"
#include "src/spread_json.h"

namespace conebook::src {
namespace {

using Json = nlohmann::json;

const Json* At(const Json& json, const char* key) {
  const auto found = json.find(key);
  return found == json.end() || found->is_null() ? nullptr : &*found;
}

std::optional<calib::Quantity> ToQuantity(const Json* json) {
  return json == nullptr ? std::nullopt : QuantityFromJson(json->dump());
}

std::optional<double> ToNumber(const Json* json) {
  return json == nullptr ? std::nullopt : std::optional(json->get<double>());
}

std::optional<OpeningInterval> ToInterval(const Json* json) {
  if (json == nullptr) return std::nullopt;
  return OpeningInterval{json->at("lo").get<double>(), json->at("hi").get<double>()};
}

InputFile ToFile(const Json& json) {
  return {json.value("path", ""), json.at("sha256").get<std::string>()};
}

calib::Flag ToFlag(const Json& json) {
  calib::Flag flag;
  flag.code = json.at("code").get<std::string>();
  const std::string severity = json.at("severity").get<std::string>();
  flag.severity = severity == "reject" ? calib::Severity::kReject
                  : severity == "warn" ? calib::Severity::kWarn
                                       : calib::Severity::kInfo;
  if (const Json* point = At(json, "point")) flag.point = point->get<int>();
  if (const Json* quantity = At(json, "quantity")) flag.quantity = quantity->get<std::string>();
  flag.message = json.value("message", "");
  flag.advice = json.value("advice", "");
  return flag;
}

void ToClip(const Json& footage, vision::ClipFacts& clip) {
  clip.frames = footage.at("frames").get<std::int64_t>();
  clip.width_px = footage.at("width").get<int>();
  clip.height_px = footage.at("height").get<int>();
  clip.duration_s = footage.at("duration_s").get<double>();
  clip.spray_start_s = ToNumber(At(footage, "spray_start_s"));
  if (const Json* light = At(footage, "illumination"))
    clip.illumination =
        *light == "backlit" ? vision::Illumination::kBacklit : vision::Illumination::kFrontlit;
}

PlateCheck ToPlate(const Json& json) {
  PlateCheck plate;
  for (const Json& from : json.at("elements")) {
    PlateElement& element = plate.elements.emplace_back();
    element.element = from.at("element").get<std::string>();
    if (const Json* record = At(from, "record")) element.record = record->get<std::string>();
    if (const Json* date = At(from, "date")) element.date = date->get<std::string>();
    element.sensors = from.at("sensors").get<std::vector<std::string>>();
    element.flow_area_mm2 = ToQuantity(At(from, "flow_area_mm2"));
  }
  plate.sum_mm2 = ToQuantity(At(json, "sum_mm2"));
  plate.difference_percent = ToQuantity(At(json, "difference_percent"));
  return plate;
}

std::optional<FlowLaw> ToLaw(const Json* json) {
  if (json == nullptr) return std::nullopt;
  return FlowLaw{ToQuantity(At(*json, "flow_area_mm2")), ToQuantity(At(*json, "cd")),
                 ToQuantity(At(*json, "exponent"))};
}

std::optional<Cd> ToCd(const Json* json) {
  if (json == nullptr) return std::nullopt;
  return Cd{*ToQuantity(json), json->at("area").get<std::string>(), *ToQuantity(&json->at("area_mm2"))};
}

FlowNumbers ToNumbers(const Json& json) {
  return {ToQuantity(At(json, "reynolds_exit")), ToQuantity(At(json, "reynolds_inlets")),
          ToQuantity(At(json, "weber")), ToQuantity(At(json, "cavitation_number"))};
}

Direction ToDirection(const Json& json) {
  const std::string direction = json.value("direction", "");
  return direction == "rising"    ? Direction::kRising
         : direction == "falling" ? Direction::kFalling
                                  : Direction::kUnknown;
}

std::vector<TheoryLine> ToTheory(const Json* json) {
  std::vector<TheoryLine> lines;
  if (json == nullptr) return lines;
  for (const Json& line : *json)
    lines.push_back({line.at("quantity").get<std::string>(), line.at("relation").get<std::string>(),
                     line.at("range").get<std::string>(), *ToQuantity(&line.at("value"))});
  return lines;
}

std::optional<FlowHysteresis> ToHysteresis(const Json* json) {
  if (json == nullptr) return std::nullopt;
  return FlowHysteresis{*ToQuantity(&json->at("flow_area_percent")), json->at("pairs").get<int>()};
}

CircuitLaw ToCircuitLaw(const Json& json) {
  CircuitLaw circuit;
  circuit.name = json.at("name").get<std::string>();
  circuit.law = ToLaw(At(json, "flow_law"));
  circuit.hysteresis = ToHysteresis(At(json, "flow_hysteresis"));
  if (const Json* nominal = At(json, "nominal_bar"))
    circuit.nominal_bar = nominal->get<std::vector<double>>();
  return circuit;
}

std::optional<SyncPicture> ToSyncPicture(const Json* json) {
  if (json == nullptr) return std::nullopt;
  SyncPicture picture;
  picture.seen = json->at("what").get<std::string>();
  picture.video_s = json->at("video_s").get<std::vector<double>>();
  picture.level = json->at("level").get<std::vector<double>>();
  picture.column = json->at("column").get<std::string>();
  picture.log_s = json->at("log_s").get<std::vector<double>>();
  picture.log_level = json->at("log_level").get<std::vector<double>>();
  return picture;
}

CircuitPoint ToCircuit(const Json& json) {
  CircuitPoint circuit;
  circuit.name = json.at("name").get<std::string>();
  circuit.flowing = json.at("flowing").get<bool>();
  circuit.pressure_bar = ToQuantity(At(json, "pressure_bar"));
  circuit.flow_kg_s = ToQuantity(At(json, "flow_kg_s"));
  circuit.flow_area_mm2 = ToQuantity(At(json, "flow_area_mm2"));
  circuit.cd = ToCd(At(json, "cd"));
  circuit.temperature_c = ToNumber(At(json, "temperature_c"));
  circuit.flow_from_s = ToNumber(At(json, "flow_t0_s"));
  circuit.numbers = ToNumbers(json);
  circuit.direction = ToDirection(json);
  circuit.nominal_bar = ToNumber(At(json, "nominal_bar"));
  circuit.theory = ToTheory(At(json, "theory"));
  return circuit;
}

std::vector<double> ToNumbersOf(const Json& json, const char* key) {
  return json.at(key).get<std::vector<double>>();
}

std::optional<DropSizes> ToDrops(const Json* json) {
  if (json == nullptr) return std::nullopt;
  DropSizes drops;
  drops.verdict = json->at("verdict").get<std::string>();
  drops.count = json->at("count").get<int>();
  drops.pictures = json->at("pictures").get<int>();
  drops.cutoff_um = json->at("cutoff_um").get<double>();
  drops.window_width_mm = json->at("window_mm").at(0).get<double>();
  drops.window_height_mm = json->at("window_mm").at(1).get<double>();
  for (const auto& [key, quantity] : kDropQuantities) drops.*quantity = *ToQuantity(&json->at(key));
  const Json& histogram = json->at("histogram");
  drops.histogram = {ToNumbersOf(histogram, "edge_um"), ToNumbersOf(histogram, "number_share"),
                     ToNumbersOf(histogram, "volume_share")};
  if (const Json* fit = At(*json, "log_normal")) {
    calib::LogNormalFit& to = drops.log_normal.emplace();
    to.median_um = fit->at("median_um").get<double>();
    to.u_median_um = fit->at("u_median_um").get<double>();
    to.sigma_ln = fit->at("sigma_ln").get<double>();
    to.u_sigma_ln = fit->at("u_sigma_ln").get<double>();
    to.largest_gap = fit->at("largest_gap").get<double>();
  }
  if (const Json* fit = At(*json, "rosin_rammler")) {
    calib::RosinRammlerFit& to = drops.rosin_rammler.emplace();
    to.x_um = fit->at("x_um").get<double>();
    to.u_x_um = fit->at("u_x_um").get<double>();
    to.q = fit->at("q").get<double>();
    to.u_q = fit->at("u_q").get<double>();
    to.largest_gap = fit->at("largest_gap").get<double>();
  }
  drops.largest_um = json->at("largest_um").get<double>();
  drops.largest_volume_share = json->at("largest_volume_share").get<double>();
  drops.effective_count = json->at("effective_count").get<double>();
  drops.needed_for_d32 = ToNumber(At(*json, "needed_for_d32"));
  const Json& left = json->at("left_out");
  drops.below_cutoff = left.at("below_cutoff").get<int>();
  drops.out_of_focus = left.at("out_of_focus").get<int>();
  drops.crowded = left.at("crowded").get<int>();
  drops.at_border = left.at("at_border").get<int>();
  if (const Json* speed = At(*json, "speed")) drops.speed = DropSpeedFromJson(speed->dump());
  return drops;
}

Point ToPoint(const Json& json) {
  Point point;
  if (const auto t0 = ToNumber(At(json, "t0_s")))
    point.video = vision::TimeSpan{*t0, json.at("t1_s").get<double>()};
  point.frames = json.at("frames").get<std::int64_t>();
  point.log_t0_s = ToNumber(At(json, "log_t0_s"));
  point.log_t1_s = ToNumber(At(json, "log_t1_s"));
  point.flow_from_s = ToNumber(At(json, "flow_t0_s"));
  point.pressure_bar = ToQuantity(At(json, "pressure_bar"));
  point.flow_kg_s = ToQuantity(At(json, "flow_kg_s"));
  point.flow_area_mm2 = ToQuantity(At(json, "flow_area_mm2"));
  point.cd = ToCd(At(json, "cd"));
  point.temperature_c = ToNumber(At(json, "temperature_c"));
  point.direction = ToDirection(json);
  point.nominal_bar = ToNumber(At(json, "nominal_bar"));
  point.numbers = ToNumbers(json);
  if (const Json* circuits = At(json, "circuits")) {
    for (const Json& circuit : *circuits) point.circuits.push_back(ToCircuit(circuit));
  }
  point.theory = ToTheory(At(json, "theory"));
  point.drops = ToDrops(At(json, "drops"));
  vision::SprayPoint& spray = point.spray;
  spray.frames = point.frames;
  if (const Json* stage = At(json, "stage")) spray.stage = vision::StageNamed(stage->get<std::string>());
  if (const Json* angle = At(json, "half_angle_deg")) {
    spray.half_angle = vision::HalfAngle{*ToQuantity(&angle->at("mean")), *ToQuantity(&angle->at("left")),
                                         *ToQuantity(&angle->at("right")), *ToQuantity(&angle->at("lean"))};
  }
  spray.apparent_half_angle_deg = ToQuantity(At(json, "apparent_half_angle_deg"));
  spray.sheet_half_angle_deg = ToQuantity(At(json, "sheet_half_angle_deg"));
  spray.cone_half_angle_deg = ToQuantity(At(json, "cone_half_angle_deg"));
  spray.breakup_mm = ToQuantity(At(json, "breakup_mm"));
  if (const Json* breakup = At(json, "breakup_mm"))
    spray.breakup_lower_bound_mm = ToNumber(At(*breakup, "lower_bound"));
  if (const Json* pulsation = At(json, "pulsation")) {
    spray.pulsation =
        vision::Pulsation{pulsation->at("hz").get<double>(), pulsation->at("amplitude_deg").get<double>(),
                          pulsation->at("u").get<double>()};
  }
  if (const Json* steady = At(json, "steadiness")) {
    spray.steadiness = vision::Steadiness{
        steady->at("scatter_deg").get<double>(), steady->at("correlation_time_s").get<double>(),
        steady->at("detectable_deg").get<double>(), steady->at("fastest_hz").get<double>()};
  }
  if (const Json* grain = At(json, "grain")) {
    spray.grain = vision::Grain{grain->at("index").get<double>(),       grain->at("u").get<double>(),
                                grain->at("mean_signal").get<double>(), grain->at("noise_part").get<double>(),
                                grain->at("frames").get<int>(),         grain->at("patches").get<int>()};
    // Earlier records know no shares.
    const auto read = [&](const char* name, std::optional<vision::ShadowShare>& share, const char* no_name,
                          std::string& no) {
      if (const Json* of = At(*grain, name))
        share = vision::ShadowShare{of->at("value").get<double>(), of->at("u").get<double>()};
      if (const Json* why = At(*grain, no_name)) no = why->get<std::string>();
    };
    read("mist_share", spray.grain->mist, "no_mist_share", spray.grain->no_mist);
    read("ligament_share", spray.grain->ligaments, "no_ligament_share", spray.grain->no_ligaments);
  }
  if (const Json* evenness = At(json, "evenness")) spray.evenness = EvennessFromJson(evenness->dump());
  if (const Json* waves = At(json, "sheet_waves"))
    spray.waves = WavesFromJson(waves->dump(), point.wave_speed_part);
  return point;
}

// As the rig file with the sheet's overrides said it, which the settings keep; 1 deg is what the rig assumes.
std::optional<calib::Stated> ToRotation(const Json& settings) {
  const Json view = settings.value("/rig/view"_json_pointer, Json::object());
  if (!view.contains("rotation_deg")) return std::nullopt;
  const bool assumed = !view.contains("u_rotation_deg");
  return calib::Stated{view.at("rotation_deg").get<double>(),
                       assumed ? 1.0 : view.at("u_rotation_deg").get<double>(), false, assumed};
}

}  // namespace

Run RunFromResult(const std::string& json_text) {
  const Json json = Json::parse(json_text);
  Run run;
  run.program_version = json.at("program").at("version").get<std::string>();
  run.program_build = json.at("program").at("build").get<std::string>();
  run.element = json.at("element").get<std::string>();
  run.batch = json.value("batch", "");
  run.kind = json.value("kind", "");
  run.role = json.value("role", "");
  if (const Json* date = At(json, "date")) {
    run.date = date->get<std::string>();
    run.date_from = json.value("date_from", "");
  }
  const Json& inputs = json.at("inputs");
  run.rig_sha256 = inputs.at("rig_sha256").get<std::string>();
  if (const Json* rig = At(inputs, "rig")) run.rig_path = ToFile(*rig).path;
  if (const Json* log = At(inputs, "log")) run.log = ToFile(*log);
  for (const Json& file : inputs.at("calibrations")) run.calibrations.push_back(ToFile(file));
  run.settings_json = json.at("settings").dump();
  run.view_rotation_deg = ToRotation(json.at("settings"));
  if (const Json* footage = At(json, "footage")) {
    run.footage = ToFile(*footage);
    ToClip(*footage, run.clip);
  }
  run.px_per_mm = ToQuantity(At(json.at("scale"), "px_per_mm"));
  run.has_scale = At(json, "stations_mm") != nullptr;
  const Json* stations = At(json, run.has_scale ? "stations_mm" : "stations_exit_diameters");
  if (stations != nullptr) {
    run.near_mm = stations->at(0).get<double>();
    run.far_mm = stations->at(1).get<double>();
  }
  run.lean_against_image_vertical = json.value("lean_against", "") == "image_vertical";
  if (const Json* sync = At(json, "sync"))
    run.sync = Sync{*ToQuantity(&sync->at("log_minus_video_s")), sync->at("method").get<std::string>()};
  if (const Json* sync = At(json, "sync")) run.sync_picture = ToSyncPicture(At(*sync, "seen"));
  run.flow_law = ToLaw(At(json, "flow_law"));
  if (const Json* circuits = At(json, "circuits")) {
    for (const Json& circuit : *circuits) run.circuits.push_back(ToCircuitLaw(circuit));
  }
  if (const Json* opening = At(json, "opening_bar"))
    run.opening = {ToInterval(At(*opening, "rising")), ToInterval(At(*opening, "falling"))};
  run.flow_hysteresis = ToHysteresis(At(json, "flow_hysteresis"));
  if (const Json* plate = At(json, "plate")) run.plate = ToPlate(*plate);
  if (const Json* collected = At(json, "collected")) run.collected = CollectedFromJson(collected->dump());
  if (const Json* nominal = At(json, "nominal_bar")) run.nominal_bar = nominal->get<std::vector<double>>();
  for (const Json& point : json.at("points")) run.points.push_back(ToPoint(point));
  for (const Json& flag : json.at("flags")) run.flags.push_back(ToFlag(flag));
  return run;
}

}  // namespace conebook::src
