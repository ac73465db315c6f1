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
#include "src/run_from_result.h"

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

const Json* At(const Json& json, const char* key) {
  const auto found = json.find(key);
  return found == json.end() || found->is_null() ? nullptr : &*found;
}

std::vector<cv::Point2f> ToPoints(const Json& json) {
  std::vector<cv::Point2f> points;
  for (const Json& point : json) points.emplace_back(point.at(0).get<float>(), point.at(1).get<float>());
  return points;
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
  Run run = RunFromResult(json_text);
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
