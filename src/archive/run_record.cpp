#include "src/archive/run_record.h"

#include <filesystem>
#include <fstream>
#include <sstream>
#include <stdexcept>

#include <fmt/format.h>
#include <nlohmann/json.hpp>
#include <opencv2/imgcodecs.hpp>

#include <calib/error.h>

#include "src/report/overlay.h"
#include "src/result_json.h"
#include "src/spread_json.h"

namespace conebook::src {
namespace {

using Json = nlohmann::json;

constexpr int kStillQuality = 88;

std::string BytesOf(const std::string& path) {
  std::ifstream file(path, std::ios::binary);
  std::ostringstream text;
  text << file.rdbuf();
  if (!file) throw calib::InputError(path + ": could not be read a second time, to be put on record");
  return text.str();
}

// Numbers are the shortest text that reads back exactly: a page made from the archive is the same page.
std::string ReadingsCsv(const Run& run) {
  fmt::memory_buffer out;
  fmt::format_to(std::back_inserter(out),
                 "point,video_time_s,left_half_angle_deg,right_half_angle_deg,breakup_mm,gain,shift_x_px,"
                 "shift_y_px\n");
  for (std::size_t p = 0; p < run.points.size(); ++p) {
    for (const vision::FrameAngle& frame : run.points[p].spray.series) {
      fmt::format_to(std::back_inserter(out), "{},{},{},{},", p + 1, frame.t_s, frame.left_deg,
                     frame.right_deg);
      if (frame.breakup_mm > 0.0F) fmt::format_to(std::back_inserter(out), "{}", frame.breakup_mm);
      fmt::format_to(std::back_inserter(out), ",{},{},{}\n", frame.gain, frame.shift_x_px, frame.shift_y_px);
    }
  }
  return fmt::to_string(out);
}

std::string TraceCsv(const LogTrace& trace) {
  const bool flow = trace.flow_kg_s.size() == trace.time_s.size();
  fmt::memory_buffer out;
  fmt::format_to(std::back_inserter(out), "log_time_s,pressure_bar{}\n", flow ? ",flow_kg_s" : "");
  for (std::size_t i = 0; i < trace.time_s.size(); ++i) {
    fmt::format_to(std::back_inserter(out), "{},{}", trace.time_s[i], trace.pressure_bar[i]);
    if (flow) fmt::format_to(std::back_inserter(out), ",{}", trace.flow_kg_s[i]);
    out.push_back('\n');
  }
  return fmt::to_string(out);
}

std::string CircuitTraceName(std::size_t circuit) {
  return fmt::format("log_trace_{}.csv", circuit + 1);
}

Json FromPoints(const cv::Point2f* points, std::size_t count) {
  Json list = Json::array();
  const auto written = [](float value) { return std::stod(fmt::format("{}", value)); };
  for (std::size_t i = 0; i < count; ++i) list.push_back({written(points[i].x), written(points[i].y)});
  return list;
}

Json FromPoints(const std::vector<cv::Point2f>& points) {
  return FromPoints(points.data(), points.size());
}

std::string OutlineJson(const Run& run) {
  Json json;
  json["exit_px"] = {run.exit_px.x, run.exit_px.y};
  json["axis_deg"] = run.axis_deg;
  json["exit_diameter_mm"] = run.exit_diameter_mm;
  json["illumination_stated"] = run.clip.illumination_stated;
  json["points"] = Json::array();
  for (const Point& point : run.points) {
    const vision::SprayPoint& spray = point.spray;
    Json entry{{"boundary_left", FromPoints(spray.boundary_left)},
               {"boundary_right", FromPoints(spray.boundary_right)},
               {"line_left", FromPoints(spray.line_left, 2)},
               {"line_right", FromPoints(spray.line_right, 2)},
               {"breakup_front", FromPoints(spray.breakup_front)}};
    entry["breakup_readings"] = Json::array();
    for (const auto& [name, value] : spray.breakup_readings)
      entry["breakup_readings"].push_back({name, value});
    json["points"].push_back(std::move(entry));
  }
  return json.dump();
}

// Of the full frame, so that all coordinates stay as they are; what no picture ever shows is plain.
std::string StillJpeg(const Run& run, const Point& point) {
  const cv::Mat& still = point.spray.still;
  cv::Mat shown(still.size(), still.type(), cv::mean(still));
  const cv::Rect crop = BuildOverlay(run, point, still.size()).crop;
  still(crop).copyTo(shown(crop));
  std::vector<unsigned char> bytes;
  cv::imencode(".jpg", shown, bytes, {cv::IMWRITE_JPEG_QUALITY, kStillQuality});
  return {bytes.begin(), bytes.end()};
}

// Without loss: the page shows the same grey values.
std::string WavesPng(const vision::EdgeWaves& waves) {
  std::vector<unsigned char> bytes;
  cv::imencode(".png", waves.picture, bytes, {cv::IMWRITE_PNG_COMPRESSION, 9});
  return {bytes.begin(), bytes.end()};
}

calib::Shared SharedNamed(const std::string& name) {
  for (const calib::Shared shared : {calib::Shared::kFrames, calib::Shared::kClip, calib::Shared::kRig,
                                     calib::Shared::kMeter, calib::Shared::kDay, calib::Shared::kModel}) {
    if (name == calib::NameOf(shared)) return shared;
  }
  return calib::Shared::kClip;
}

const Json* At(const Json& json, const char* key) {
  const auto found = json.find(key);
  return found == json.end() || found->is_null() ? nullptr : &*found;
}

std::optional<calib::Quantity> ToQuantity(const Json* json) {
  if (json == nullptr || !json->contains("value")) return std::nullopt;
  calib::Quantity quantity;
  quantity.value = json->at("value").get<double>();
  quantity.u = json->at("u").get<double>();
  if (const Json* dof = At(*json, "dof")) quantity.dof = dof->get<double>();
  if (const Json* budget = At(*json, "budget")) {
    for (const Json& part : *budget) {
      quantity.budget.push_back({part.at("source").get<std::string>(), part.at("u").get<double>(),
                                 SharedNamed(part.at("shared").get<std::string>())});
    }
  }
  return quantity;
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

std::vector<cv::Point2f> ToPoints(const Json& json) {
  std::vector<cv::Point2f> points;
  for (const Json& point : json) points.emplace_back(point.at(0).get<float>(), point.at(1).get<float>());
  return points;
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
  }
  if (const Json* evenness = At(json, "evenness")) spray.evenness = EvennessFromJson(evenness->dump());
  if (const Json* waves = At(json, "sheet_waves"))
    spray.waves = WavesFromJson(waves->dump(), point.wave_speed_part);
  return point;
}

// Cells of a CSV text that we wrote ourselves; an empty cell is nought.
std::vector<std::vector<double>> NumberRows(const std::string& csv) {
  std::vector<std::vector<double>> rows;
  std::istringstream text(csv);
  std::string line;
  std::getline(text, line);
  while (std::getline(text, line)) {
    std::vector<double>& row = rows.emplace_back();
    for (std::size_t from = 0; from <= line.size();) {
      const std::size_t to = std::min(line.find(',', from), line.size());
      row.push_back(to == from ? 0.0 : std::stod(line.substr(from, to - from)));
      from = to + 1;
    }
  }
  return rows;
}

void AddTrace(const std::string& csv, LogTrace& trace) {
  for (const std::vector<double>& row : NumberRows(csv)) {
    if (row.size() < 2) continue;
    trace.time_s.push_back(row[0]);
    trace.pressure_bar.push_back(row[1]);
    if (row.size() > 2) trace.flow_kg_s.push_back(row[2]);
  }
}

void AddReadings(const std::string& csv, Run& run) {
  for (const std::vector<double>& row : NumberRows(csv)) {
    const auto point = static_cast<std::size_t>(row[0]);
    if (row.size() < 8 || point < 1 || point > run.points.size()) continue;
    run.points[point - 1].spray.series.push_back(
        {row[1], static_cast<float>(row[2]), static_cast<float>(row[3]), static_cast<float>(row[4]),
         static_cast<float>(row[5]), static_cast<float>(row[6]), static_cast<float>(row[7])});
  }
}

void AddOutline(const Json& outline, Run& run) {
  run.exit_px = {outline.at("exit_px").at(0).get<double>(), outline.at("exit_px").at(1).get<double>()};
  run.axis_deg = outline.at("axis_deg").get<double>();
  run.exit_diameter_mm = outline.at("exit_diameter_mm").get<double>();
  run.clip.illumination_stated = outline.at("illumination_stated").get<bool>();
  const Json& points = outline.at("points");
  for (std::size_t p = 0; p < run.points.size() && p < points.size(); ++p) {
    vision::SprayPoint& spray = run.points[p].spray;
    const Json& from = points[p];
    spray.boundary_left = ToPoints(from.at("boundary_left"));
    spray.boundary_right = ToPoints(from.at("boundary_right"));
    const auto left = ToPoints(from.at("line_left")), right = ToPoints(from.at("line_right"));
    for (std::size_t end = 0; end < 2; ++end) {
      spray.line_left[end] = left.at(end);
      spray.line_right[end] = right.at(end);
    }
    spray.breakup_front = ToPoints(from.at("breakup_front"));
    for (const Json& reading : from.at("breakup_readings"))
      spray.breakup_readings.emplace_back(reading.at(0).get<std::string>(), reading.at(1).get<double>());
  }
}

std::optional<std::string> EvidenceBytes(const Json& record, const std::string& name,
                                         const EvidenceReader& evidence) {
  const Json* list = At(record, "evidence");
  if (list == nullptr) return std::nullopt;
  for (const Json& item : *list) {
    if (item.at("name") == name) return evidence(item.at("sha256").get<std::string>());
  }
  return std::nullopt;
}

std::optional<std::string> TextOf(const Json& record, const std::string& name,
                                  const EvidenceReader& evidence) {
  const auto bytes = EvidenceBytes(record, name + ".gz", evidence);
  return bytes ? std::optional(Uncompressed(*bytes)) : std::nullopt;
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

Record RunRecord(const Run& run, const MeasureInput& input) {
  std::vector<Evidence> evidence;
  const auto keep_text = [&](const char* name, const std::string& text) {
    evidence.push_back({std::string(name) + ".gz", Compressed(text)});
  };
  keep_text("rig_file.toml", BytesOf(input.rig.path));
  for (const CalibrationFile& file : input.rig.calibrations)
    keep_text(file.KeptAs().c_str(), BytesOf(file.path));
  if (input.log_path) keep_text("stand_log.csv", BytesOf(*input.log_path));
  if (!run.trace.time_s.empty()) keep_text("log_trace.csv", TraceCsv(run.trace));
  for (std::size_t c = 0; c < run.circuits.size(); ++c)
    keep_text(CircuitTraceName(c).c_str(), TraceCsv(run.circuits[c].trace));
  bool any_reading = false;
  for (const Point& point : run.points) any_reading = any_reading || !point.spray.series.empty();
  if (any_reading) keep_text("readings.csv", ReadingsCsv(run));
  if (run.footage && !run.points.empty()) keep_text("outline.json", OutlineJson(run));
  for (std::size_t p = 0; p < run.points.size(); ++p) {
    if (!run.points[p].spray.still.empty())
      evidence.push_back({fmt::format("still_{}.jpg", p + 1), StillJpeg(run, run.points[p])});
    if (const auto& waves = run.points[p].spray.waves; waves && !waves->picture.empty())
      evidence.push_back({fmt::format("edge_{}.png", p + 1), WavesPng(*waves)});
  }
  return MakeRecord(ResultJson(run), std::move(evidence));
}

Run RunFromRecord(const std::string& json_text, const EvidenceReader& evidence) {
  const Json json = Json::parse(json_text);
  if (json.value("schema", "") != kRunSchema) throw std::runtime_error("the record is not a measured run");
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

  if (const auto text = TextOf(json, "log_trace.csv", evidence)) AddTrace(*text, run.trace);
  for (std::size_t c = 0; c < run.circuits.size(); ++c) {
    if (const auto text = TextOf(json, CircuitTraceName(c), evidence)) AddTrace(*text, run.circuits[c].trace);
  }
  if (const auto text = TextOf(json, "readings.csv", evidence)) AddReadings(*text, run);
  if (const auto text = TextOf(json, "outline.json", evidence)) AddOutline(Json::parse(*text), run);
  for (std::size_t p = 0; p < run.points.size(); ++p) {
    const auto picture = [&](const char* name) {
      const auto bytes = EvidenceBytes(json, fmt::format(fmt::runtime(name), p + 1), evidence);
      if (!bytes) return cv::Mat();
      const std::vector<unsigned char> buffer(bytes->begin(), bytes->end());
      return cv::imdecode(buffer, cv::IMREAD_GRAYSCALE);
    };
    run.points[p].spray.still = picture("still_{}.jpg");
    if (run.points[p].spray.waves) run.points[p].spray.waves->picture = picture("edge_{}.png");
  }
  return run;
}

std::optional<std::string> EvidenceText(const std::string& json, const std::string& name,
                                        const EvidenceReader& evidence) {
  return TextOf(Json::parse(json), name, evidence);
}

}  // namespace conebook::src
