#include "src/result_json.h"

#include <nlohmann/json.hpp>

#include "src/circuit_keys.h"
#include "src/drop_window.h"
#include "src/quantity_json.h"
#include "src/settings_json.h"
#include "src/spread_json.h"

namespace conebook::src {
namespace {

using Json = nlohmann::ordered_json;

Json Number(double value) {
  return FiniteNumber(value);
}

Json FromQuantity(const calib::Quantity& quantity) {
  return Json::parse(QuantityJson(quantity));
}

Json FromOptional(const std::optional<calib::Quantity>& quantity) {
  return quantity ? FromQuantity(*quantity) : Json(nullptr);
}

Json FromOptional(const std::optional<double>& value) {
  return value ? Number(*value) : Json(nullptr);
}

const char* NameOf(calib::Severity severity) {
  switch (severity) {
    case calib::Severity::kInfo:
      return "info";
    case calib::Severity::kWarn:
      return "warn";
    case calib::Severity::kReject:
      return "reject";
  }
  return "info";
}

Json FromGrain(const vision::Grain& grain) {
  Json json = {{"index", Number(grain.index)},
               {"u", Number(grain.u)},
               {"mean_signal", Number(grain.mean_signal)},
               {"noise_part", Number(grain.noise_part)},
               {"frames", grain.frames},
               {"patches", grain.patches}};
  const auto add = [&](const std::string& name, const std::optional<vision::ShadowShare>& share,
                       const std::string& why) {
    json[name] = nullptr;
    if (share) json[name] = {{"value", Number(share->value)}, {"u", Number(share->u)}};
    json["no_" + name] = share ? Json(nullptr) : Json(why);
  };
  add("mist_share", grain.mist, grain.no_mist);
  add("ligament_share", grain.ligaments, grain.no_ligaments);
  return json;
}

Json FromFlag(const calib::Flag& flag) {
  return {{"code", flag.code},
          {"severity", NameOf(flag.severity)},
          {"point", flag.point ? Json(*flag.point) : Json(nullptr)},
          {"quantity", flag.quantity ? Json(*flag.quantity) : Json(nullptr)},
          {"message", flag.message},
          {"advice", flag.advice}};
}

Json FromFile(const InputFile& file) {
  return {{"path", file.path}, {"sha256", file.sha256}};
}

Json FromFootage(const Run& run) {
  if (!run.footage) return nullptr;
  Json json = FromFile(*run.footage);
  json["frames"] = run.clip.frames;
  json["width"] = run.clip.width_px;
  json["height"] = run.clip.height_px;
  json["duration_s"] = Number(run.clip.duration_s);
  json["spray_start_s"] = FromOptional(run.clip.spray_start_s);
  json["illumination"] = nullptr;
  if (run.clip.illumination) {
    json["illumination"] = *run.clip.illumination == vision::Illumination::kBacklit ? "backlit" : "frontlit";
  }
  return json;
}

Json FromCd(const std::optional<Cd>& cd) {
  if (!cd) return nullptr;
  Json json = FromQuantity(cd->cd);
  json["area"] = cd->area;
  json["area_mm2"] = FromQuantity(cd->area_mm2);
  return json;
}

Json FromBreakup(const vision::SprayPoint& spray) {
  if (spray.breakup_mm) return FromQuantity(*spray.breakup_mm);
  if (spray.breakup_lower_bound_mm) return {{"lower_bound", Number(*spray.breakup_lower_bound_mm)}};
  return nullptr;
}

Json FromHalfAngle(const std::optional<vision::HalfAngle>& angle) {
  if (!angle) return nullptr;
  return {{"mean", FromQuantity(angle->mean_deg)},
          {"left", FromQuantity(angle->left_deg)},
          {"right", FromQuantity(angle->right_deg)},
          {"lean", FromQuantity(angle->lean_deg)}};
}

Json FromPulsation(const std::optional<vision::Pulsation>& pulsation) {
  if (!pulsation) return nullptr;
  return {{"hz", Number(pulsation->hz)},
          {"amplitude_deg", Number(pulsation->amplitude_deg)},
          {"u", Number(pulsation->u_deg)}};
}

Json FromD32(const std::optional<DropSizes>& drops) {
  if (!drops) return nullptr;
  Json json = FromQuantity(drops->d32_um);
  json["count"] = drops->count;
  json["cutoff_um"] = Number(drops->cutoff_um);
  return json;
}

Json FromNumbers(const std::vector<double>& numbers) {
  Json json = Json::array();
  for (const double number : numbers) json.push_back(Number(number));
  return json;
}

Json FromDrops(const Point& point) {
  const DropSizes& drops = *point.drops;
  Json json;
  json["verdict"] = drops.verdict;
  json["weighting"] = "spatial";
  json["count"] = drops.count;
  json["pictures"] = drops.pictures;
  json["cutoff_um"] = Number(drops.cutoff_um);
  json["window_mm"] = {Number(drops.window_width_mm), Number(drops.window_height_mm)};
  if (const auto from_mm = DropWindowFromExitMm(point)) json["window_from_exit_mm"] = Number(*from_mm);
  for (const auto& [key, quantity] : kDropQuantities) json[key] = FromQuantity(drops.*quantity);
  json["histogram"] = {{"edge_um", FromNumbers(drops.histogram.edge_um)},
                       {"number_share", FromNumbers(drops.histogram.number_share)},
                       {"volume_share", FromNumbers(drops.histogram.volume_share)}};
  json["log_normal"] = nullptr;
  if (drops.log_normal) {
    json["log_normal"] = {{"median_um", Number(drops.log_normal->median_um)},
                          {"u_median_um", Number(drops.log_normal->u_median_um)},
                          {"sigma_ln", Number(drops.log_normal->sigma_ln)},
                          {"u_sigma_ln", Number(drops.log_normal->u_sigma_ln)},
                          {"largest_gap", Number(drops.log_normal->largest_gap)}};
  }
  json["rosin_rammler"] = nullptr;
  if (drops.rosin_rammler) {
    json["rosin_rammler"] = {{"x_um", Number(drops.rosin_rammler->x_um)},
                             {"u_x_um", Number(drops.rosin_rammler->u_x_um)},
                             {"q", Number(drops.rosin_rammler->q)},
                             {"u_q", Number(drops.rosin_rammler->u_q)},
                             {"largest_gap", Number(drops.rosin_rammler->largest_gap)}};
  }
  json["largest_um"] = Number(drops.largest_um);
  json["largest_volume_share"] = Number(drops.largest_volume_share);
  json["effective_count"] = Number(drops.effective_count);
  json["needed_for_d32"] = FromOptional(drops.needed_for_d32);
  json["left_out"] = {{"below_cutoff", drops.below_cutoff},
                      {"out_of_focus", drops.out_of_focus},
                      {"crowded", drops.crowded},
                      {"at_border", drops.at_border}};
  if (drops.speed) json["speed"] = Json::parse(DropSpeedJson(*drops.speed));
  return json;
}

Json FromOpening(const std::optional<OpeningInterval>& interval) {
  if (!interval) return nullptr;
  return {{"lo", Number(interval->lo_bar)}, {"hi", Number(interval->hi_bar)}};
}

Json FromLaw(const std::optional<FlowLaw>& law) {
  if (!law) return nullptr;
  return {{"flow_area_mm2", FromOptional(law->flow_area_mm2)},
          {"cd", FromOptional(law->cd)},
          {"exponent", FromOptional(law->exponent)}};
}

Json FromHysteresis(const std::optional<FlowHysteresis>& hysteresis) {
  if (!hysteresis) return nullptr;
  return {{"flow_area_percent", FromQuantity(hysteresis->flow_area_percent)}, {"pairs", hysteresis->pairs}};
}

Json FromTheory(const std::vector<TheoryLine>& lines) {
  Json json = Json::array();
  for (const TheoryLine& line : lines) {
    json.push_back({{"quantity", line.quantity},
                    {"relation", line.relation},
                    {"range", line.range},
                    {"value", FromQuantity(line.value)}});
  }
  return json;
}

Json FromCircuitLaw(const CircuitLaw& circuit) {
  Json json{{"name", circuit.name},
            {"flow_law", FromLaw(circuit.law)},
            {"flow_hysteresis", FromHysteresis(circuit.hysteresis)}};
  if (!circuit.nominal_bar.empty()) json["nominal_bar"] = FromNumbers(circuit.nominal_bar);
  return json;
}

Json FromSync(const Run& run) {
  if (!run.sync) return nullptr;
  Json json{{"log_minus_video_s", FromQuantity(run.sync->log_minus_video_s)}, {"method", run.sync->method}};
  if (const auto& picture = run.sync_picture) {
    json["seen"] = {{"what", picture->seen},
                    {"video_s", FromNumbers(picture->video_s)},
                    {"level", FromNumbers(picture->level)}};
    json["seen"]["column"] = picture->column;
    json["seen"]["log_s"] = FromNumbers(picture->log_s);
    json["seen"]["log_level"] = FromNumbers(picture->log_level);
  }
  return json;
}

Json FromCircuit(const CircuitPoint& circuit) {
  Json json{{"name", circuit.name},
            {"flowing", circuit.flowing},
            {"pressure_bar", FromOptional(circuit.pressure_bar)},
            {"flow_kg_s", FromOptional(circuit.flow_kg_s)},
            {"flow_area_mm2", FromOptional(circuit.flow_area_mm2)},
            {"cd", FromCd(circuit.cd)},
            {"temperature_c", FromOptional(circuit.temperature_c)},
            {"reynolds_exit", FromOptional(circuit.numbers.reynolds_exit)},
            {"reynolds_inlets", FromOptional(circuit.numbers.reynolds_inlets)},
            {"weber", FromOptional(circuit.numbers.weber)},
            {"cavitation_number", FromOptional(circuit.numbers.cavitation)}};
  if (circuit.flow_from_s) json["flow_t0_s"] = Number(*circuit.flow_from_s);
  json["direction"] = NameOf(circuit.direction);
  if (circuit.nominal_bar) json["nominal_bar"] = Number(*circuit.nominal_bar);
  if (!circuit.theory.empty()) json["theory"] = FromTheory(circuit.theory);
  return json;
}

// nominal: the rig states nominal pressures; has_scale: it states a scale.
Json FromPoint(const Point& point, bool nominal, bool has_scale) {
  Json json;
  json["t0_s"] = point.video ? Number(point.video->t0_s) : Json(nullptr);
  json["t1_s"] = point.video ? Number(point.video->t1_s) : Json(nullptr);
  json["frames"] = point.frames;
  json["log_t0_s"] = FromOptional(point.log_t0_s);
  json["log_t1_s"] = FromOptional(point.log_t1_s);
  if (point.flow_from_s) json["flow_t0_s"] = Number(*point.flow_from_s);
  json["pressure_bar"] = FromOptional(point.pressure_bar);
  json["flow_kg_s"] = FromOptional(point.flow_kg_s);
  json["flow_area_mm2"] = FromOptional(point.flow_area_mm2);
  json["cd"] = FromCd(point.cd);
  json["temperature_c"] = FromOptional(point.temperature_c);
  json["direction"] = NameOf(point.direction);
  if (nominal) json["nominal_bar"] = FromOptional(point.nominal_bar);
  json["reynolds_exit"] = FromOptional(point.numbers.reynolds_exit);
  json["reynolds_inlets"] = FromOptional(point.numbers.reynolds_inlets);
  json["weber"] = FromOptional(point.numbers.weber);
  json["cavitation_number"] = FromOptional(point.numbers.cavitation);
  json["stage"] = point.spray.stage ? Json(vision::NameOf(*point.spray.stage)) : Json(nullptr);
  json["half_angle_deg"] = FromHalfAngle(point.spray.half_angle);
  json["apparent_half_angle_deg"] = FromOptional(point.spray.apparent_half_angle_deg);
  json["sheet_half_angle_deg"] = FromOptional(point.spray.sheet_half_angle_deg);
  json["cone_half_angle_deg"] = FromOptional(point.spray.cone_half_angle_deg);
  json["breakup_mm"] = FromBreakup(point.spray);
  json["d32_um"] = FromD32(point.drops);
  if (point.drops) json["drops"] = FromDrops(point);
  json["pulsation"] = FromPulsation(point.spray.pulsation);
  if (point.spray.steadiness) {
    json["steadiness"] = {{"scatter_deg", Number(point.spray.steadiness->scatter_deg)},
                          {"correlation_time_s", Number(point.spray.steadiness->correlation_time_s)},
                          {"detectable_deg", Number(point.spray.steadiness->detectable_deg)},
                          {"fastest_hz", Number(point.spray.steadiness->fastest_hz)}};
  }
  if (point.spray.grain) json["grain"] = FromGrain(*point.spray.grain);
  if (point.spray.evenness) json["evenness"] = Json::parse(EvennessJson(*point.spray.evenness, has_scale));
  if (point.spray.waves)
    json["sheet_waves"] = Json::parse(WavesJson(*point.spray.waves, point.wave_speed_part));
  json["theory"] = FromTheory(point.theory);
  if (!point.circuits.empty()) {
    json["circuits"] = Json::array();
    for (const CircuitPoint& circuit : point.circuits) json["circuits"].push_back(FromCircuit(circuit));
  }
  return json;
}

Json FromPlate(const std::optional<PlateCheck>& plate) {
  if (!plate) return nullptr;
  Json json;
  json["elements"] = Json::array();
  for (const PlateElement& element : plate->elements) {
    const bool on_record = !element.record.empty();
    json["elements"].push_back({{"element", element.element},
                                {"record", on_record ? Json(element.record) : Json(nullptr)},
                                {"date", element.date.empty() ? Json(nullptr) : Json(element.date)},
                                {"sensors", element.sensors},
                                {"flow_area_mm2", FromOptional(element.flow_area_mm2)}});
  }
  json["sum_mm2"] = FromOptional(plate->sum_mm2);
  json["difference_percent"] = FromOptional(plate->difference_percent);
  return json;
}

Json FromStations(const Run& run, bool in_mm) {
  if (!run.near_mm || !run.far_mm || run.has_scale != in_mm) return nullptr;
  return Json::array({Number(*run.near_mm), Number(*run.far_mm)});
}

}  // namespace

std::string ResultJson(const Run& run) {
  Json json;
  json["schema"] = "conebook.run/1";
  json["verdict"] = NameOf(run.GetVerdict());
  json["program"] = {{"version", run.program_version}, {"build", run.program_build}};
  json["flags"] = Json::array();
  for (const calib::Flag& flag : run.flags) json["flags"].push_back(FromFlag(flag));
  json["element"] = run.element;
  json["batch"] = run.batch;
  json["kind"] = run.kind;
  if (!run.role.empty()) json["role"] = run.role;
  json["date"] = run.date ? Json(*run.date) : Json(nullptr);
  json["date_from"] = run.date ? Json(run.date_from) : Json(nullptr);
  Json calibrations = Json::array();
  for (const InputFile& file : run.calibrations) calibrations.push_back(FromFile(file));
  json["inputs"] = {{"rig_sha256", run.rig_sha256},
                    {"rig", FromFile({run.rig_path, run.rig_sha256})},
                    {"log", run.log ? FromFile(*run.log) : Json(nullptr)},
                    {"calibrations", std::move(calibrations)}};
  json["settings"] = Json::parse(run.settings_json.empty() ? "{}" : run.settings_json);
  json["footage"] = FromFootage(run);
  json["scale"] = {{"px_per_mm", FromOptional(run.px_per_mm)}};
  json["stations_mm"] = FromStations(run, true);
  // Without a scale the stations are known in exit diameters only.
  json["stations_exit_diameters"] = FromStations(run, false);
  json["lean_against"] = run.lean_against_image_vertical ? "image_vertical" : "rig_axis";
  json["sync"] = FromSync(run);
  json["flow_law"] = FromLaw(run.flow_law);
  if (!run.circuits.empty()) {
    json["circuits"] = Json::array();
    for (const CircuitLaw& circuit : run.circuits) json["circuits"].push_back(FromCircuitLaw(circuit));
  }
  json["opening_bar"] = {{"rising", FromOpening(run.opening.rising)},
                         {"falling", FromOpening(run.opening.falling)}};
  json["flow_hysteresis"] = FromHysteresis(run.flow_hysteresis);
  if (run.kind == "plate") json["plate"] = FromPlate(run.plate);
  if (!run.nominal_bar.empty()) json["nominal_bar"] = run.nominal_bar;
  if (run.collected) json["collected"] = Json::parse(CollectedJson(*run.collected));
  json["points"] = Json::array();
  for (const Point& point : run.points)
    json["points"].push_back(FromPoint(point, !run.nominal_bar.empty(), run.has_scale));
  // A user's text may hold bytes that are not UTF-8: replaced, not refused.
  return json.dump(2, ' ', false, Json::error_handler_t::replace) + "\n";
}

namespace {

Json FromToml(const TomlNode& node) {
  switch (node.kind) {
    case TomlNode::Kind::kTable: {
      Json json = Json::object();
      for (const auto& [key, value] : node.Entries()) json[key] = FromToml(value);
      return json;
    }
    case TomlNode::Kind::kArray: {
      Json json = Json::array();
      for (const TomlNode& item : node.items) json.push_back(FromToml(item));
      return json;
    }
    case TomlNode::Kind::kText:
      return node.text;
    case TomlNode::Kind::kNumber:
    case TomlNode::Kind::kInteger:
      return Number(node.number);
    case TomlNode::Kind::kBool:
      return node.boolean;
    case TomlNode::Kind::kOther:
      return nullptr;
  }
  return nullptr;
}

}  // namespace

std::string SettingsJson(const MeasureInput& input) {
  const SteadyOptions& steady = input.steady;
  Json json;
  json["rig"] = FromToml(input.rig.document);
  // Where a calibration file lies is no setting; its hash is among the inputs.
  for (const CalibrationFile& file : input.rig.calibrations) {
    if (file.circuit) {
      json["rig"]["circuit"][*file.circuit].erase(CircuitKeyOf(file.key.section, file.key.key));
    } else {
      json["rig"][file.key.section].erase(file.key.key);
    }
  }
  json["steady"] = {{"min_duration_s", Number(steady.min_duration_s)},
                    {"min_rows", steady.min_rows},
                    {"zero_bar", Number(steady.zero_bar)},
                    {"zero_share", Number(steady.zero_share)},
                    {"zero_flow_share", Number(steady.zero_flow_share)},
                    {"max_rate_per_s", Number(steady.max_rate_per_s)},
                    {"max_piece_change", Number(steady.max_piece_change)},
                    {"max_drift", Number(steady.max_drift)},
                    {"max_scatter", Number(steady.max_scatter)},
                    {"same_level", Number(steady.same_level)},
                    {"bridge_s", Number(steady.bridge_s)}};
  if (input.sweep) json["sweep"] = true;
  if (!input.readings.empty()) {
    json["readings"] = Json::array();
    for (const HandReading& reading : input.readings) {
      json["readings"].push_back({{"t0_s", reading.video ? Number(reading.video->t0_s) : Json(nullptr)},
                                  {"t1_s", reading.video ? Number(reading.video->t1_s) : Json(nullptr)},
                                  {"pressure_bar", Number(reading.pressure_bar)},
                                  {"u_pressure_bar", FromOptional(reading.u_pressure_bar)},
                                  {"flow_kg_s", FromOptional(reading.flow_kg_s)}});
      if (const auto& bucket = reading.bucket)
        json["readings"].back()["bucket"] = {{"mass_kg", Number(bucket->scale_kg)},
                                             {"u_mass_kg", Number(bucket->u_scale_kg)},
                                             {"time_s", Number(bucket->time_s)},
                                             {"u_time_s", Number(bucket->u_time_s)}};
      Json& shares = json["readings"].back()["flow_shares"] = Json::array();
      for (const calib::Contribution& share : reading.flow_shares)
        shares.push_back({{"source", share.source}, {"u", Number(share.u)}});
    }
  }
  // Keys sorted, as the archive keeps them: a page made from a record is the page made from the run.
  return nlohmann::json(json).dump(-1, ' ', false, Json::error_handler_t::replace);
}

}  // namespace conebook::src
