#include "src/rig.h"

#include <filesystem>
#include <fstream>
#include <utility>

#include <fmt/core.h>

#include <calib/error.h>

#include "src/circuit_keys.h"
#include "src/collector_file.h"
#include "src/cone_checks.h"
#include "src/lens_file.h"
#include "src/match_json.h"
#include "src/rig_keys.h"
#include "src/scale_file.h"
#include "src/sha256.h"
#include "src/stand_sensors.h"

namespace conebook::src {
namespace {

using calib::InputError;
using calib::Stated;

// Assumed standard uncertainties where the rig is silent: the design's list, and our own for the rest.
constexpr double kScaleShare = 0.01, kDistanceShare = 0.03, kFocalShare = 0.03, kAreaShare = 0.01;
constexpr double kTiltDeg = 2.0, kAxisDeg = 0.5, kExitPx = 1.0, kTemperatureC = 1.0;
constexpr double kPropertyShare = 0.002;  // a density that the user states
constexpr double kViscosityShare =
    0.05;                             // a viscosity, surface tension or vapour pressure that the user states
constexpr double kFlowShare = 0.01;   // flow or K-factor
constexpr double kTapHeightMm = 5.0;  // read off with a folding rule
constexpr double kAmbientBar = 0.02;  // weather and altitude
constexpr double kZeroBar = 0.005;    // a zero read off before the test
constexpr double kGeometryShare = 0.02;

class Reader {
 public:
  explicit Reader(const TomlNode& root) : root_(root) {}

  const TomlNode* Find(const char* section, const std::string& key) const {
    const TomlNode* table = root_.Find(section);
    return table == nullptr ? nullptr : table->Find(key);
  }
  std::optional<double> Number(const char* section, const char* key) const {
    const TomlNode* node = Find(section, key);
    return node == nullptr ? std::nullopt : std::optional<double>(node->number);
  }
  std::optional<std::string> Text(const char* section, const char* key) const {
    const TomlNode* node = Find(section, key);
    return node == nullptr ? std::nullopt : std::optional<std::string>(node->text);
  }
  // assumed_u in the key's unit, or as a share of the value where share is set.
  std::optional<Stated> WithU(const char* section, const char* key, double assumed_u,
                              bool share = false) const {
    const std::optional<double> value = Number(section, key);
    if (!value) {
      if (const TomlNode* lonely = Find(section, std::string("u_") + key)) {
        throw InputError(
            fmt::format("{}: [{}] u_{} is given without {}", lonely->Place(), section, key, key));
      }
      return std::nullopt;
    }
    Stated stated{*value, share ? assumed_u * std::abs(*value) : assumed_u, false, true};
    if (const TomlNode* u = Find(section, std::string("u_") + key)) {
      stated.u = u->number;
      stated.u_assumed = false;
    }
    return stated;
  }

 private:
  const TomlNode& root_;
};

void RequireText(const Reader& reader, const std::string& path, const char* section, const char* key,
                 const char* example) {
  const TomlNode* node = reader.Find(section, key);
  if (node == nullptr) {
    throw InputError(fmt::format("{}: [{}] {} is missing; the rig file must have it, for instance {} = {}",
                                 path, section, key, key, example));
  }
  if (node->kind == TomlNode::Kind::kText && node->text.empty()) {
    throw InputError(fmt::format("{}: [{}] {} is empty", node->Place(), section, key));
  }
}

// Keeps note of a calibration file that the rig names; its path as seen from here.
std::optional<std::string> NamedFile(const Reader& reader, Rig& rig, const CalibrationKey& key) {
  const TomlNode* node = reader.Find(key.section, key.key);
  if (node == nullptr) return std::nullopt;
  const std::string path = node->PathFromHere(node->text);
  if (!std::ifstream(path) || std::filesystem::is_directory(path)) {
    throw InputError(fmt::format("{}: [{}] {}: cannot read {}; does the file exist, and may you read it?",
                                 node->Place(), key.section, key.key, path));
  }
  rig.calibrations.push_back({key, path, FileSha256(path), std::nullopt});
  return path;
}

// What the rig file says itself goes before what the scale's picture told beside the scale.
void TakeScale(const Reader& reader, const ScaleFile& file, vision::View& view) {
  if (const TomlNode* stated = reader.Find("scale", "px_per_mm")) {
    throw InputError(
        fmt::format("{}: [scale] px_per_mm and calibration both give the scale; take one of the two out",
                    stated->Place()));
  }
  view.px_per_mm = file.px_per_mm;
  view.scale_width_px = file.width_px;
  view.scale_height_px = file.height_px;
  if (file.tilt_deg && reader.Find("camera", "tilt_deg") == nullptr) view.tilt_deg = *file.tilt_deg;
  if (file.axis_deg && reader.Find("nozzle", "axis_deg") == nullptr) view.axis_deg = *file.axis_deg;
}

void ReadView(const Reader& reader, Rig& rig) {
  vision::View& view = rig.view;
  view.fps = reader.Number("camera", "fps");
  view.distance_mm = reader.WithU("camera", "distance_mm", kDistanceShare, true);
  view.focal_px = reader.WithU("camera", "focal_px", kFocalShare, true);
  view.white_level = reader.Number("camera", "white_level");
  if (const auto tilt = reader.WithU("camera", "tilt_deg", kTiltDeg)) view.tilt_deg = *tilt;
  view.px_per_mm = reader.WithU("scale", "px_per_mm", kScaleShare, true);
  // Half the share of the area: an area goes with the square of its diameter.
  view.exit_diameter_mm = *reader.WithU("nozzle", "exit_diameter_mm", kAreaShare / 2.0, true);
  if (const auto axis = reader.WithU("nozzle", "axis_deg", kAxisDeg)) view.axis_deg = *axis;
  if (const TomlNode* exit = reader.Find("nozzle", "exit_px")) {
    Stated x{exit->items[0].number, kExitPx, false, true}, y{exit->items[1].number, kExitPx, false, true};
    if (const TomlNode* u = reader.Find("nozzle", "u_exit_px")) {
      const bool pair = u->kind == TomlNode::Kind::kArray;
      x.u = pair ? u->items[0].number : u->number;
      y.u = pair ? u->items[1].number : u->number;
      x.u_assumed = y.u_assumed = false;
    }
    view.exit_x_px = x;
    view.exit_y_px = y;
  }
  if (const auto light = reader.Text("spray", "illumination")) {
    view.illumination =
        *light == "backlit" ? vision::Illumination::kBacklit : vision::Illumination::kFrontlit;
  }
  if (reader.Text("spray", "shows") == "drops") view.shows = vision::Shows::kDrops;
  view.near_mm = reader.Number("stations", "near_mm");
  view.far_mm = reader.Number("stations", "far_mm");
  if (view.near_mm && view.far_mm && !(*view.far_mm > *view.near_mm)) {
    throw InputError(fmt::format("{}: [stations] far_mm = {:g} must be greater than near_mm = {:g}",
                                 reader.Find("stations", "far_mm")->Place(), *view.far_mm, *view.near_mm));
  }
  if (const auto path = NamedFile(reader, rig, kLensKey)) view.lens = ReadLensFile(*path);
  if (const auto path = NamedFile(reader, rig, kScaleKey)) TakeScale(reader, ReadScaleFile(*path), view);
  if (const auto path = NamedFile(reader, rig, kConeChecksKey))
    view.known_cones = LastConeChecks(ReadConeChecks(*path));
}

void ReadElement(const Reader& reader, Rig& rig) {
  rig.element = *reader.Text("element", "id");
  rig.batch = reader.Text("element", "batch").value_or("");
  rig.role = reader.Text("element", "role").value_or("");
  rig.kind = reader.Text("element", "kind").value_or("swirl");
  ElementGeometry& geometry = rig.geometry;
  if (const auto count = reader.Number("element", "inlet_count"))
    geometry.inlet_count = static_cast<int>(*count);
  geometry.inlet_diameter_mm = reader.WithU("element", "inlet_diameter_mm", kAreaShare / 2.0, true);
  geometry.inlet_edge_radius_mm = reader.WithU("element", "inlet_edge_radius_mm", kGeometryShare, true);
  geometry.chamber_diameter_mm = reader.WithU("element", "chamber_diameter_mm", kGeometryShare, true);
  geometry.chamber_length_mm = reader.WithU("element", "chamber_length_mm", kGeometryShare, true);
  geometry.exit_length_mm = reader.WithU("element", "exit_length_mm", kGeometryShare, true);
  geometry.measured_by = reader.Text("element", "measured_by").value_or("");
}

void ReadSensorFiles(const Reader& reader, Rig& rig) {
  if (const auto path = NamedFile(reader, rig, kMeterKey)) rig.meter = ReadMeterFile(*path);
  if (const auto path = NamedFile(reader, rig, kPressureKey))
    rig.pressure_calibration = ReadPressureFile(*path);
  if (const auto path = NamedFile(reader, rig, kLineLossKey)) rig.line_loss = ReadLineLossFile(*path);
  const auto refuse = [&](const char* section, const char* key, const char* why) {
    throw InputError(fmt::format("{}: [{}] {}: {}", reader.Find(section, key)->Place(), section, key, why));
  };
  if (rig.meter && rig.k_factor_per_l)
    refuse("meter", "k_factor_per_l", "calibration gives it, too; take one of the two out");
  if (rig.line_loss && rig.stand.tap == PressureTap::kElement)
    refuse(
        "stand", "line_loss",
        "a pressure tapped at the element has no line before it; state pressure_tap = \"line\" or \"tank\", "
        "or take line_loss out");
  if (rig.pressure_calibration && rig.pressure_calibration->absolute != ReadsAbsolute(rig))
    refuse("pressure", "calibration",
           rig.pressure_calibration->absolute
               ? "is against absolute pressure, but the log is taken as above ambient; state [log] "
                 "pressure_kind = \"absolute\", or calibrate against gauge pressure"
               : "is against gauge pressure, but the log is taken as absolute; state [log] pressure_kind = "
                 "\"gauge\", or calibrate against absolute pressure");
}

void ReadPoints(const Reader& reader, Rig& rig) {
  if (const TomlNode* list = reader.Find("points", "nominal_bar")) {
    rig.nominal.emplace();
    for (const TomlNode& item : list->items) rig.nominal->bar.push_back(item.number);
    rig.nominal->tolerance_bar = reader.Number("points", "tolerance_bar");
  } else if (const TomlNode* lonely = reader.Find("points", "tolerance_bar")) {
    throw InputError(lonely->Place() + ": [points] tolerance_bar is given without nominal_bar");
  }
}

void ReadPlate(const Reader& reader, Rig& rig) {
  const TomlNode *list = reader.Find("plate", "elements"), *match = reader.Find("plate", "match");
  for (const auto& [node, key] : {std::pair{list, "elements"}, std::pair{match, "match"}}) {
    if (node == nullptr || rig.kind == "plate") continue;
    throw InputError(
        fmt::format("{}: [plate] {} is given for an element of kind \"{}\"; state [element] kind = "
                    "\"plate\", or take it out",
                    node->Place(), key, rig.kind));
  }
  if (list != nullptr && match != nullptr)
    throw InputError(fmt::format("{}: [plate] elements and match both say what the plate holds; take one out",
                                 match->Place()));
  if (list != nullptr)
    for (const TomlNode& item : list->items) rig.plate_elements.push_back(item.text);
  if (const auto path = NamedFile(reader, rig, kMatchKey)) rig.plate_elements = ElementsOfMatch(*path);
}

void ReadCollector(const Reader& reader, Rig& rig) {
  const auto path = NamedFile(reader, rig, kCollectorKey);
  if (!path) {
    for (const char* key : {"first_sector_deg", "ring_edges_mm", "u_mass_g", "u_time_s"}) {
      if (const TomlNode* lonely = reader.Find("collector", key))
        throw InputError(fmt::format("{}: [collector] {} is given without table", lonely->Place(), key));
    }
    return;
  }
  calib::PatternationOptions options;
  options.first_sector_deg =
      reader.Number("collector", "first_sector_deg").value_or(options.first_sector_deg);
  options.u_mass_g = reader.Number("collector", "u_mass_g").value_or(options.u_mass_g);
  options.u_time_s = reader.Number("collector", "u_time_s").value_or(options.u_time_s);
  if (const TomlNode* edges = reader.Find("collector", "ring_edges_mm")) {
    for (const TomlNode& item : edges->items) options.ring_edge_mm.push_back(item.number);
    if (const auto problem = options.Problem())
      throw InputError(fmt::format("{}: [collector] {}", edges->Place(), *problem));
  }
  rig.collected = ReadCollectorTable(*path, options);
}

void ReadStand(const Reader& reader, Rig& rig) {
  StandSetup& stand = rig.stand;
  stand.liquid = reader.Text("stand", "liquid");
  stand.density_kg_m3 = reader.WithU("stand", "density_kg_m3", kPropertyShare, true);
  stand.viscosity_pa_s = reader.WithU("stand", "viscosity_pa_s", kViscosityShare, true);
  stand.surface_tension_n_m = reader.WithU("stand", "surface_tension_n_m", kViscosityShare, true);
  stand.vapour_pressure_pa = reader.WithU("stand", "vapour_pressure_pa", kViscosityShare, true);
  stand.temperature_c = reader.WithU("stand", "temperature_c", kTemperatureC);
  stand.reference_area_mm2 = reader.WithU("stand", "reference_area_mm2", kAreaShare, true);
  stand.area_kind = reader.Text("stand", "area_kind");
  stand.rated_bar = reader.Number("stand", "rated_bar");
  const std::string tap = reader.Text("stand", "pressure_tap").value_or("element");
  stand.tap = tap == "tank" ? PressureTap::kTank : tap == "line" ? PressureTap::kLine : PressureTap::kElement;
  stand.tap_above_exit_mm = reader.WithU("stand", "tap_above_exit_mm", kTapHeightMm);
  stand.ambient_bar = reader.WithU("stand", "ambient_bar", kAmbientBar);

  LogKeys& log = rig.log;
  log.time = reader.Text("log", "time");
  log.time_unit = reader.Text("log", "time_unit");
  log.pressure = reader.Text("log", "pressure");
  log.pressure_unit = reader.Text("log", "pressure_unit");
  log.pressure_kind = reader.Text("log", "pressure_kind");
  log.flow = reader.Text("log", "flow");
  log.flow_unit = reader.Text("log", "flow_unit");
  log.temperature = reader.Text("log", "temperature");
  log.delimiter = reader.Text("log", "delimiter");
  log.decimal = reader.Text("log", "decimal");
  if (log.pressure_kind == "gauge" && stand.ambient_bar && stand.ambient_bar->value != 0.0) {
    throw InputError(
        fmt::format("{}: [stand] ambient_bar = {:g} contradicts [log] pressure_kind = \"gauge\"; a gauge "
                    "reading already is the pressure above ambient: take one of the two out",
                    reader.Find("stand", "ambient_bar")->Place(), stand.ambient_bar->value));
  }
  rig.k_factor_per_l = reader.WithU("meter", "k_factor_per_l", kFlowShare, true);
  rig.meter_u_percent = reader.Number("meter", "u_percent");
  rig.pressure_u_percent = reader.Number("pressure", "u_percent");
  rig.pressure_zero_bar = reader.WithU("pressure", "zero_bar", kZeroBar);
  ReadSensorFiles(reader, rig);
  ReadPoints(reader, rig);
  ReadPlate(reader, rig);
  // 0.02 s: a clap or a lamp found by eye in log and footage.
  rig.log_minus_video_s = reader.WithU("sync", "log_minus_video_s", 0.02);
  rig.view_rotation_deg = reader.WithU("view", "rotation_deg", 1.0);
}

}  // namespace

namespace {

// `document` without circuits.
Rig RigOf(TomlNode document, const std::string& path, const std::string& sha256) {
  Rig rig;
  rig.path = path;
  rig.sha256 = sha256;
  rig.document = std::move(document);
  CheckRigKeys(rig.document);
  const Reader reader(rig.document);
  RequireText(reader, path, "element", "id", "\"A07\"");
  RequireText(reader, path, "nozzle", "exit_diameter_mm", "1.6");
  ReadElement(reader, rig);
  ReadView(reader, rig);
  ReadStand(reader, rig);
  ReadCollector(reader, rig);
  return rig;
}

}  // namespace

std::string KeptAsOfCircuit(const CalibrationKey& key, std::size_t circuit) {
  return fmt::format("circuit_{}_{}", circuit + 1, key.kept_as);
}

std::string CalibrationFile::KeptAs() const {
  return circuit ? KeptAsOfCircuit(key, *circuit) : key.kept_as;
}

Rig ReadRig(const std::string& path, const TomlNode* overrides) {
  TomlNode document = ReadToml(path);
  if (overrides != nullptr) MergeInto(document, *overrides);
  const std::string sha256 = FileSha256(path);
  std::vector<Circuit> circuits;
  for (CircuitDocument& circuit : CircuitDocuments(document))
    circuits.push_back({circuit.name, RigOf(std::move(circuit.document), path, sha256)});
  if (circuits.empty()) return RigOf(std::move(document), path, sha256);
  Rig rig = RigOf(WithoutCircuits(document), path, sha256);
  for (std::size_t c = 0; c < circuits.size(); ++c) {
    for (CalibrationFile file : circuits[c].rig.calibrations) {
      const bool of_all =
          std::any_of(rig.calibrations.begin(), rig.calibrations.end(), [&](const CalibrationFile& known) {
            return !known.circuit && std::string_view(known.key.kept_as) == file.key.kept_as &&
                   known.path == file.path;
          });
      if (of_all) continue;
      file.circuit = c;
      rig.calibrations.push_back(std::move(file));
    }
  }
  rig.document = std::move(document);
  rig.circuits = std::move(circuits);
  return rig;
}

}  // namespace conebook::src
