#include "src/archive/export.h"

#include <algorithm>
#include <cmath>
#include <filesystem>
#include <map>
#include <set>

#include <fmt/format.h>
#include <nlohmann/json.hpp>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>
#include <unistd.h>

#include <calib/error.h>
#include <vision/spray_measurement.h>

#include "src/archive/archive.h"
#include "src/archive/element_page.h"
#include "src/archive/point_columns.h"
#include "src/archive/run_record.h"
#include "src/output_file.h"
#include "src/report/element_report.h"
#include "src/report/overlay.h"
#include "src/sha256.h"
#include "src/text_table.h"

namespace conebook::src {
namespace {

using Json = nlohmann::json;
namespace fs = std::filesystem;

struct Word {
  const char* column;
  const char* unit;
  const char* meaning;
};

const std::vector<Word> kRunWords{
    {"record", "", "key of the record: SHA-256 of its canonical JSON without paths"},
    {"origin", "", "measured: by this program from footage or log; imported: an earlier result, typed in"},
    {"counts", "", "yes, or no where superseded_by stands for it"},
    {"superseded_by", "", "key of the record that stands for this one"},
    {"reason", "", "why it does"},
    {"element", "", "id of the injector element"},
    {"batch", "", "elements made the same way"},
    {"kind", "", "swirl, plain_orifice or plate"},
    {"date", "", "day of the test, ISO 8601"},
    {"verdict", "", "ok, flagged, rejected or imported"},
    {"points", "1", "number of pressure points"},
    {"pressure_lo_bar", "bar", "lowest pressure drop of the run's points"},
    {"pressure_hi_bar", "bar", "highest pressure drop of the run's points"},
    {"half_angle_lo_deg", "deg", "least half-cone angle of the run's points"},
    {"half_angle_hi_deg", "deg", "greatest half-cone angle of the run's points"},
    {"breakup_lo_mm", "mm", "least breakup length of the run's points"},
    {"breakup_hi_mm", "mm", "greatest breakup length of the run's points"},
    {"warnings", "", "codes of warnings and refusals, blanks between"},
    {"program_build", "", "build of the program that measured"},
    {"footage_sha256", "", "SHA-256 of the footage file; of a folder: of its sorted lines <sha256>  <name>"},
    {"log_sha256", "", "SHA-256 of the stand log"},
};

const std::vector<Word> kPointWords{
    {"point", "1", "number of the pressure point within its run, from 1"},
    {"frames", "1", "frames of the point"},
    {"video_t0_s", "s", "first frame of the point, capture time from the first decoded frame"},
    {"video_t1_s", "s", "last frame of the point"},
    {"log_t0_s", "s", "start of the steady stretch, log time"},
    {"log_t1_s", "s", "end of the steady stretch, log time"},
    {"near_mm", "mm", "near station of the edge fits, from the exit"},
    {"far_mm", "mm", "far station of the edge fits, from the exit"},
    {"cd_area", "", "which area Cd refers to: exit, inlets or user"},
    {"cd_area_mm2", "mm2", "that area"},
    {"direction", "", "from which side the pressure was reached: rising, falling or unknown"},
};

const std::vector<Word> kCircuitWords{
    {"circuit", "", "in circuits.csv: name of one circuit of an element that has several"},
    {"flowing", "", "in circuits.csv: yes, or no where the circuit was shut at that point"},
};

const std::vector<Word> kElementWords{
    {"name", "", "what is stated of the element; the unit is its suffix"},
    {"value", "", "what was stated"},
    {"source", "", "table it came from"},
    {"disputed", "", "yes where another statement says something else and neither is superseded"},
    {"state", "", "in_stock, reserved, fitted, fired, cleaned or scrapped"},
    {"plate", "", "plate that the element is fitted to or reserved for"},
    {"position", "", "position in the plate"},
    {"firings", "1", "number of hot firings"},
    {"note", "", "as written"},
};

// Shortest text that reads back as the same number.
std::string Number(const std::optional<double>& value) {
  return value ? fmt::format("{}", *value) : std::string();
}

std::string Line(const std::vector<std::string>& cells) {
  std::string line;
  for (std::size_t i = 0; i < cells.size(); ++i) line += (i ? "," : "") + CsvCell(cells[i]);
  return line + "\n";
}

std::optional<double> NumberAt(const Json& json, const std::string& pointer) {
  const Json::json_pointer at(pointer);
  if (!json.contains(at) || !json.at(at).is_number()) return std::nullopt;
  return json.at(at).get<double>();
}

std::string TextAt(const Json& json, const char* pointer) {
  const Json::json_pointer at(pointer);
  return json.contains(at) && json.at(at).is_string() ? json.at(at).get<std::string>() : std::string();
}

std::vector<std::string> RunCells(const RunRow& row) {
  return {row.key,           row.origin, row.counts ? "yes" : "no",
          row.superseded_by, row.reason, row.element,
          row.batch,         row.kind,   row.date,
          row.verdict};
}

std::vector<std::string> PointHeader() {
  std::vector<std::string> header{"record",  "origin", "counts", "superseded_by", "reason",
                                  "element", "batch",  "kind",   "date",          "verdict"};
  for (const Word& word : kPointWords) header.emplace_back(word.column);
  for (const PointColumn& column : PointColumns()) {
    header.emplace_back(column.name);
    if (!column.with_u) continue;
    header.push_back(NameOfU(column));
    header.push_back(std::string("lo95_") + column.name);
    header.push_back(std::string("hi95_") + column.name);
  }
  for (const char* name : {"warnings", "program_build", "footage_sha256", "log_sha256"})
    header.emplace_back(name);
  return header;
}

void AddPoint(const RunRow& run, const Json& record, const Json& point, std::size_t number,
              std::string& text) {
  std::vector<std::string> cells = RunCells(run);
  cells.push_back(number == 0 ? "" : fmt::format("{}", number));
  for (const char* pointer : {"/frames", "/t0_s", "/t1_s", "/log_t0_s", "/log_t1_s"})
    cells.push_back(Number(NumberAt(point, pointer)));
  for (const char* pointer : {"/stations_mm/0", "/stations_mm/1"})
    cells.push_back(Number(NumberAt(record, pointer)));
  cells.push_back(TextAt(point, "/cd/area"));
  cells.push_back(Number(NumberAt(point, "/cd/area_mm2/value")));
  cells.push_back(TextAt(point, "/direction"));
  for (const PointColumn& column : PointColumns()) {
    const std::string at = column.pointer;
    if (!column.with_u) {
      cells.push_back(Number(NumberAt(point, at)));
      continue;
    }
    for (const char* part : {"/value", "/u", "/lo95", "/hi95"})
      cells.push_back(Number(NumberAt(point, at + part)));
  }
  for (const std::string& cell : {run.flags, run.build, run.footage, run.log}) cells.push_back(cell);
  text += Line(cells);
}

template <typename Use>
void ForEachRecord(const std::string& archive, const std::vector<RunRow>& runs, Use use) {
  // A few at a time: an archive of many years does not fit into memory.
  constexpr std::size_t kAtOnce = 200;
  for (std::size_t from = 0; from < runs.size(); from += kAtOnce) {
    std::vector<std::string> keys;
    for (std::size_t i = from; i < std::min(runs.size(), from + kAtOnce); ++i) keys.push_back(runs[i].key);
    const std::vector<std::string> texts = ReadRecords(archive, keys);
    for (std::size_t i = 0; i < texts.size(); ++i) use(runs[from + i], texts[i]);
  }
}

Json FromNumber(const std::optional<double>& value) {
  return value ? Json(*value) : Json(nullptr);
}

// Names of files in the bundle: an element's id may hold anything.
std::string FileNameOf(const std::string& text) {
  std::string name;
  for (const char c : text) {
    const bool plain = (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') ||
                       c == '-' || c == '_' || c == '.';
    name += plain ? c : '_';
  }
  if (name.empty() || name.front() == '.') name.insert(name.begin(), '_');
  if (name != text) name += "-" + TextSha256(text).substr(0, 6);
  return name;
}

constexpr const char* kReadme =
    R"(What this folder is
===================
Measurements of injector elements on a cold-flow stand, as they were put on record: half-cone angle, breakup
length, flow, flow area and discharge coefficient of each pressure point, each with its standard uncertainty u
(k = 1, JCGM 100:2008) and a two-sided 95 % interval (lo95, hi95). Nothing here needs a special program.

points.csv       one row a pressure point: the numbers
runs.csv         one row a run (a filmed test, or a log alone)
circuits.csv     where elements have several circuits: one row a pressure point and circuit
elements.csv     what is stated of the elements: geometry, route, material
stock.csv        where each element was, and when
dictionary.csv   what every column means, and its unit
records/         each run in full, JSON: all flags, the make-up of each u, the settings, hashes of the inputs
evidence/        beside each run: stand log, rig file, readings of single frames, pictures with what was measured
pages/           one page an element; open in any browser, offline
SHA256SUMS       of all files, to be checked with: sha256sum -c SHA256SUMS

Text is UTF-8, numbers have a decimal point, cells are divided by commas (RFC 4180). An empty cell is not
nought: the number could not be had, and the record's flags say why. Rows with "counts" = no were superseded:
kept, and not to be used. Rows with "origin" = imported were typed in from earlier work, not measured here.
A record's key is the SHA-256 of its canonical JSON (keys sorted, no blanks) with every "path" left out.

Half angles are half of the full cone angle. Three are given, and they are not to be mixed: half_angle_mean_deg
(the visible boundary), sheet_half_angle_deg (the mean sheet surface), cone_half_angle_deg (the asymptote).

Cautions
--------
Pressure vessels, jets, flammable mist and hot firing can hurt people. These are cold-flow measurements; they
do not say that an element, a stand or an engine is safe. Local codes and licensed practice come first.
)";

// The folder grows under another name, and goes if it does not become whole.
struct Growing {
  fs::path path;
  bool kept = false;
  ~Growing() {
    std::error_code error;
    if (!kept) fs::remove_all(path, error);
  }
};

class Bundle {
 public:
  explicit Bundle(fs::path root) : root_(std::move(root)) {}

  void Write(const std::string& name, const std::string& bytes) {
    std::error_code error;
    fs::create_directories((root_ / name).parent_path(), error);
    if (error)
      throw calib::InputError(
          fmt::format("{}: could not be made ({})", (root_ / name).parent_path().string(), error.message()));
    WriteWhole((root_ / name).string(), bytes);
    sums_[name] = TextSha256(bytes);
  }

  std::string Sums() const {
    std::string text;
    for (const auto& [name, hash] : sums_) text += fmt::format("{}  {}\n", hash, name);
    return text;
  }

 private:
  fs::path root_;
  std::map<std::string, std::string> sums_;
};

std::string PicturePng(const Run& run, const Point& point) {
  cv::Mat picture;
  cv::cvtColor(point.spray.still, picture, cv::COLOR_GRAY2BGR);
  const Overlay overlay = BuildOverlay(run, point, picture.size());
  DrawOverlay(picture, overlay);
  std::vector<unsigned char> bytes;
  cv::imencode(".png", picture(overlay.crop), bytes);
  return {bytes.begin(), bytes.end()};
}

void AddRun(const RunRow& row, const std::string& text, const EvidenceReader& evidence, Bundle& bundle) {
  const std::string name = row.key.substr(0, 12);
  bundle.Write("records/" + name + ".json", text + "\n");
  if (row.origin == "imported") return;
  for (const char* file : {"stand_log.csv", "rig_file.toml", "lens_file.toml", "scale_file.toml",
                           "cone_checks.toml", "readings.csv"}) {
    if (const auto kept = EvidenceText(text, file, evidence))
      bundle.Write("evidence/" + name + "/" + file, *kept);
  }
  const Run run = RunFromRecord(text, evidence);
  for (std::size_t p = 0; p < run.points.size(); ++p) {
    if (run.points[p].spray.still.empty()) continue;
    bundle.Write(fmt::format("evidence/{}/picture_{}.png", name, p + 1), PicturePng(run, run.points[p]));
  }
}

}  // namespace

std::string PointsCsv(const std::string& archive, const std::vector<RunRow>& runs) {
  std::string text = Line(PointHeader());
  ForEachRecord(archive, runs, [&](const RunRow& run, const std::string& record) {
    const Json json = Json::parse(record);
    const Json& points = json.at("points");
    for (std::size_t i = 0; i < points.size(); ++i) AddPoint(run, json, points[i], i + 1, text);
    if (points.empty()) AddPoint(run, json, Json::object(), 0, text);
  });
  return text;
}

std::string CircuitsCsv(const std::string& archive, const std::vector<RunRow>& runs) {
  const auto is_circuits = [](const PointColumn& column) {
    for (const char* name : {"pressure_bar", "flow_kg_s", "flow_area_mm2", "cd", "temperature_c",
                             "reynolds_exit", "reynolds_inlets", "weber", "cavitation_number"}) {
      if (std::string_view(column.name) == name) return true;
    }
    return false;
  };
  std::vector<std::string> header{"record",  "origin",  "counts", "superseded_by", "reason",
                                  "element", "batch",   "kind",   "date",          "verdict",
                                  "point",   "circuit", "flowing"};
  for (const PointColumn& column : PointColumns()) {
    if (!is_circuits(column)) continue;
    header.emplace_back(column.name);
    if (!column.with_u) continue;
    for (const char* what : {"u_", "lo95_", "hi95_"}) header.push_back(std::string(what) + column.name);
  }
  header.insert(header.end(), {"cd_area", "cd_area_mm2"});
  std::string text;
  ForEachRecord(archive, runs, [&](const RunRow& run, const std::string& record) {
    const Json json = Json::parse(record);
    std::size_t number = 0;
    for (const Json& point : json.at("points")) {
      ++number;
      if (!point.contains("circuits")) continue;
      for (const Json& circuit : point.at("circuits")) {
        std::vector<std::string> cells = RunCells(run);
        cells.push_back(fmt::format("{}", number));
        cells.push_back(TextAt(circuit, "/name"));
        cells.emplace_back(circuit.at("flowing").get<bool>() ? "yes" : "no");
        for (const PointColumn& column : PointColumns()) {
          if (!is_circuits(column)) continue;
          const std::string at = column.pointer;
          if (!column.with_u) {
            cells.push_back(Number(NumberAt(circuit, at)));
            continue;
          }
          for (const char* part : {"/value", "/u", "/lo95", "/hi95"})
            cells.push_back(Number(NumberAt(circuit, at + part)));
        }
        cells.push_back(TextAt(circuit, "/cd/area"));
        cells.push_back(Number(NumberAt(circuit, "/cd/area_mm2/value")));
        text += Line(cells);
      }
    }
  });
  return text.empty() ? text : Line(header) + text;
}

std::string RunsCsv(const std::vector<RunRow>& runs) {
  std::vector<std::string> header{"record", "origin", "counts", "superseded_by", "reason", "element",
                                  "batch",  "kind",   "date",   "verdict",       "points"};
  for (const char* name : {"pressure_lo_bar", "pressure_hi_bar", "flow_area_mm2", "u_flow_area_mm2", "cd",
                           "u_cd", "half_angle_lo_deg", "half_angle_hi_deg", "breakup_lo_mm", "breakup_hi_mm",
                           "warnings", "program_build", "footage_sha256", "log_sha256"})
    header.emplace_back(name);
  std::string text = Line(header);
  for (const RunRow& row : runs) {
    std::vector<std::string> cells = RunCells(row);
    cells.push_back(fmt::format("{}", row.points));
    for (const auto& value :
         {row.pressure_lo_bar, row.pressure_hi_bar, row.flow_area_mm2, row.u_flow_area_mm2, row.cd, row.u_cd,
          row.half_angle_lo_deg, row.half_angle_hi_deg, row.breakup_lo_mm, row.breakup_hi_mm}) {
      cells.push_back(Number(value));
    }
    for (const std::string& cell : {row.flags, row.build, row.footage, row.log}) cells.push_back(cell);
    text += Line(cells);
  }
  return text;
}

std::string RunsJson(const std::vector<RunRow>& runs) {
  nlohmann::ordered_json list = nlohmann::ordered_json::array();
  for (const RunRow& row : runs) {
    list.push_back({{"record", row.key},
                    {"origin", row.origin},
                    {"counts", row.counts},
                    {"superseded_by", row.superseded_by},
                    {"reason", row.reason},
                    {"element", row.element},
                    {"batch", row.batch},
                    {"kind", row.kind},
                    {"date", row.date.empty() ? Json(nullptr) : Json(row.date)},
                    {"verdict", row.verdict},
                    {"points", row.points},
                    {"pressure_lo_bar", FromNumber(row.pressure_lo_bar)},
                    {"pressure_hi_bar", FromNumber(row.pressure_hi_bar)},
                    {"flow_area_mm2", FromNumber(row.flow_area_mm2)},
                    {"u_flow_area_mm2", FromNumber(row.u_flow_area_mm2)},
                    {"cd", FromNumber(row.cd)},
                    {"u_cd", FromNumber(row.u_cd)},
                    {"half_angle_lo_deg", FromNumber(row.half_angle_lo_deg)},
                    {"half_angle_hi_deg", FromNumber(row.half_angle_hi_deg)},
                    {"breakup_lo_mm", FromNumber(row.breakup_lo_mm)},
                    {"breakup_hi_mm", FromNumber(row.breakup_hi_mm)},
                    {"warnings", row.flags},
                    {"program_build", row.build},
                    {"footage_sha256", row.footage},
                    {"log_sha256", row.log}});
  }
  nlohmann::ordered_json json{{"schema", "conebook.list/1"}, {"runs", std::move(list)}};
  return json.dump(1, ' ', false, Json::error_handler_t::replace) + "\n";
}

std::string DictionaryCsv() {
  std::string text = Line({"column", "unit", "meaning"});
  for (const auto* words : {&kRunWords, &kPointWords}) {
    for (const Word& word : *words) text += Line({word.column, word.unit, word.meaning});
  }
  for (const PointColumn& column : PointColumns()) {
    text += Line({column.name, column.unit, column.meaning});
    if (!column.with_u) continue;
    text +=
        Line({NameOfU(column), column.unit, std::string("standard uncertainty (k = 1) of ") + column.name});
    text += Line({std::string("lo95_") + column.name, column.unit,
                  std::string("lower end of the two-sided 95 % interval of ") + column.name});
    text += Line({std::string("hi95_") + column.name, column.unit,
                  std::string("upper end of the two-sided 95 % interval of ") + column.name});
  }
  for (const auto* words : {&kCircuitWords, &kElementWords}) {
    for (const Word& word : *words) text += Line({word.column, word.unit, word.meaning});
  }
  return text;
}

std::string RecordsJson(const std::string& archive, const std::vector<RunRow>& runs) {
  std::string text = "{\"schema\": \"conebook.export/1\", \"records\": [";
  bool first = true;
  ForEachRecord(archive, runs, [&](const RunRow& run, const std::string& record) {
    text += fmt::format("{}\n{{\"key\": \"{}\", \"counts\": {}, \"superseded_by\": {}, \"record\": {}}}",
                        first ? "" : ",", run.key, run.counts,
                        run.superseded_by.empty() ? "null" : "\"" + run.superseded_by + "\"", record);
    first = false;
  });
  return text + "\n]}\n";
}

std::string FactsCsv(const std::vector<FactRow>& facts) {
  std::string text = Line({"element", "name", "value", "disputed", "source", "date", "record"});
  for (const FactRow& row : facts)
    text +=
        Line({row.element, row.name, row.value, row.disputed ? "yes" : "no", row.source, row.date, row.key});
  return text;
}

std::string StockCsv(const std::vector<StockRow>& stock) {
  std::string text = Line({"element", "date", "state", "plate", "position", "firings", "note", "record"});
  for (const StockRow& row : stock)
    text += Line({row.element, row.date, row.state, row.plate, row.position,
                  row.firings ? fmt::format("{}", *row.firings) : "", row.note, row.key});
  return text;
}

void WriteBundle(const std::string& archive, const std::vector<RunRow>& runs,
                 const std::set<std::string>& elements, const std::string& folder,
                 const std::function<void(double)>& on_progress, const std::function<bool()>& should_stop) {
  std::error_code error;
  if (fs::exists(folder, error) && !(fs::is_directory(folder, error) && fs::is_empty(folder, error)))
    throw calib::InputError(folder + ": exists and is not empty; name a new folder for the bundle");
  fs::path target = fs::path(folder);
  if (!target.has_filename()) target = target.parent_path();
  Growing growing{fs::path(fmt::format("{}.{}.part", target.string(), ::getpid()))};
  Bundle bundle(growing.path);
  const EvidenceReader evidence = EvidenceOf(archive);
  const double total = static_cast<double>(runs.size() + elements.size());
  double done = 0.0;
  const auto step = [&] {
    if (should_stop && should_stop()) throw vision::Interrupted();
    if (on_progress) on_progress(std::min(1.0, ++done / std::max(1.0, total)));
  };
  bundle.Write("README.txt", kReadme);
  bundle.Write("points.csv", PointsCsv(archive, runs));
  bundle.Write("runs.csv", RunsCsv(runs));
  if (const std::string circuits = CircuitsCsv(archive, runs); !circuits.empty())
    bundle.Write("circuits.csv", circuits);
  bundle.Write("dictionary.csv", DictionaryCsv());
  std::vector<FactRow> facts = FindFacts(archive, std::nullopt);
  std::erase_if(facts, [&](const FactRow& row) { return !elements.contains(row.element); });
  bundle.Write("elements.csv", FactsCsv(facts));
  std::vector<StockRow> stock = FindStock(archive, std::nullopt);
  std::erase_if(stock, [&](const StockRow& row) { return !elements.contains(row.element); });
  bundle.Write("stock.csv", StockCsv(stock));
  ForEachRecord(archive, runs, [&](const RunRow& run, const std::string& text) {
    AddRun(run, text, evidence, bundle);
    step();
  });
  for (const std::string& element : elements) {
    bundle.Write("pages/" + FileNameOf(element) + ".html",
                 RenderElementReportHtml(GatherElement(archive, element)));
    step();
  }
  WriteWhole((growing.path / "SHA256SUMS").string(), bundle.Sums());
  fs::remove(target, error);  // an empty folder may stand there
  fs::rename(growing.path, target, error);
  if (error) throw calib::InputError(fmt::format("{}: could not be made ({})", folder, error.message()));
  growing.kept = true;
}

}  // namespace conebook::src
