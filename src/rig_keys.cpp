#include "src/rig_keys.h"

#include <algorithm>
#include <cmath>
#include <optional>

#include <fmt/core.h>

#include <calib/error.h>

#include "src/nearest_name.h"

namespace conebook::src {
namespace {

constexpr double kInf = std::numeric_limits<double>::infinity();

RigKey Positive(const char* section, const char* key) {
  return {section, key, RigValue::kNumber, 0.0, false, kInf, {}};
}
RigKey Number(const char* section, const char* key, double lowest = -kInf, double highest = kInf) {
  return {section, key, RigValue::kNumber, lowest, true, highest, {}};
}
RigKey Text(const char* section, const char* key, std::vector<std::string> choices = {}) {
  return {section, key, RigValue::kText, -kInf, true, kInf, std::move(choices)};
}

std::vector<RigKey> MakeKeys() {
  return {
      Text("element", "id"),
      Text("element", "batch"),
      Text("element", "kind", {"swirl", "plain_orifice", "plate"}),
      Text("element", "role", {"check"}),
      {"element", "mount", RigValue::kInteger, 1.0, true, 1000.0, {}},
      {"element", "inlet_count", RigValue::kInteger, 1.0, true, 1000.0, {}},
      Positive("element", "inlet_diameter_mm"),
      Number("element", "inlet_edge_radius_mm", 0.0),
      Positive("element", "chamber_diameter_mm"),
      Positive("element", "chamber_length_mm"),
      Positive("element", "exit_length_mm"),
      Text("element", "measured_by", {"pin_gauge", "microscope", "drawing"}),
      Positive("camera", "fps"),
      Positive("camera", "distance_mm"),
      Positive("camera", "focal_px"),
      Number("camera", "tilt_deg", -80.0, 80.0),
      Text("camera", "lens"),
      Text("camera", "cone_checks"),
      Positive("camera", "white_level"),
      Positive("scale", "px_per_mm"),
      Text("scale", "calibration"),
      {"nozzle", "exit_px", RigValue::kPair, -kInf, true, kInf, {}},
      Positive("nozzle", "exit_diameter_mm"),
      Number("nozzle", "axis_deg", -360.0, 360.0),
      Text("spray", "illumination", {"backlit", "frontlit"}),
      Text("spray", "shows", {"cone", "drops"}),
      Number("stations", "near_mm", 0.0),
      Positive("stations", "far_mm"),
      Text("stand", "liquid"),
      Positive("stand", "density_kg_m3"),
      Positive("stand", "viscosity_pa_s"),
      Positive("stand", "surface_tension_n_m"),
      Positive("stand", "vapour_pressure_pa"),
      Number("stand", "temperature_c", -273.15),
      Positive("stand", "reference_area_mm2"),
      Text("stand", "area_kind", {"exit", "inlets", "user"}),
      Positive("stand", "rated_bar"),
      Text("stand", "pressure_tap", {"element", "line", "tank"}),
      Number("stand", "tap_above_exit_mm"),
      Text("stand", "line_loss"),
      Number("stand", "ambient_bar", 0.0),
      Text("log", "time"),
      Text("log", "time_unit", {"s", "ms", "epoch_s", "iso8601"}),
      Text("log", "pressure"),
      Text("log", "pressure_unit", {"bar", "kpa", "mpa", "psi"}),
      Text("log", "pressure_kind", {"gauge", "absolute"}),
      Text("log", "flow"),
      Text("log", "flow_unit", {"l_min", "ml_s", "kg_s", "g_s", "gal_us_min", "pulse_hz"}),
      Text("log", "temperature"),
      Text("log", "delimiter"),
      Text("log", "decimal", {".", ","}),
      Positive("meter", "k_factor_per_l"),
      Text("meter", "calibration"),
      Number("meter", "u_percent", 0.0, 100.0),
      Number("meter", "lag_s", 0.0, 10.0),
      Text("pressure", "calibration"),
      Number("pressure", "u_percent", 0.0, 100.0),
      Number("pressure", "zero_bar"),
      Number("sync", "log_minus_video_s"),
      Text("sync", "lamp_column"),
      Number("view", "rotation_deg", -360.0, 360.0),
      Text("collector", "table"),
      Number("collector", "first_sector_deg", -360.0, 360.0),
      {"collector", "ring_edges_mm", RigValue::kNumbers, 0.0, true, kInf, {}},
      Positive("collector", "u_mass_g"),
      Positive("collector", "u_time_s"),
      {"points", "nominal_bar", RigValue::kNumbers, 0.0, false, kInf, {}},
      Positive("points", "tolerance_bar"),
      {"plate", "elements", RigValue::kTexts, -kInf, true, kInf, {}},
      Text("plate", "match"),
  };
}

std::string Quoted(const std::vector<std::string>& choices) {
  std::string result;
  for (const std::string& choice : choices) result += (result.empty() ? "\"" : ", \"") + choice + "\"";
  return result;
}

[[noreturn]] void Refuse(const TomlNode& node, const std::string& name, const std::string& expected) {
  std::string found = NameOf(node.kind);
  if (node.IsNumber()) found = fmt::format("{}", node.number);
  if (node.kind == TomlNode::Kind::kText) found = "\"" + node.text + "\"";
  throw calib::InputError(fmt::format("{}: {}: expected {}, found {}", node.Place(), name, expected, found));
}

void CheckFinite(const TomlNode& node, const std::string& name) {
  if (!node.IsNumber()) Refuse(node, name, "a number");
  if (!std::isfinite(node.number)) Refuse(node, name, "a finite number");
}

void CheckRange(const RigKey& spec, const TomlNode& node, const std::string& name) {
  const double value = node.number;
  if (!(value > spec.lowest || (spec.lowest_allowed && value >= spec.lowest))) {
    Refuse(node, name,
           fmt::format("a number {} {:g}", spec.lowest_allowed ? "not below" : "above", spec.lowest));
  }
  if (!(value <= spec.highest)) Refuse(node, name, fmt::format("a number not above {:g}", spec.highest));
}

void CheckPair(const TomlNode& node, const std::string& name) {
  if (node.kind != TomlNode::Kind::kArray || node.items.size() != 2) {
    Refuse(node, name, "two numbers, for instance [640.0, 82.5]");
  }
  for (const TomlNode& item : node.items) CheckFinite(item, name);
}

void CheckList(const TomlNode& node, const std::string& name, const char* expected) {
  if (node.kind != TomlNode::Kind::kArray || node.items.empty()) Refuse(node, name, expected);
}

void CheckValue(const RigKey& spec, const TomlNode& node, const std::string& name) {
  switch (spec.type) {
    case RigValue::kText:
      if (node.kind != TomlNode::Kind::kText) Refuse(node, name, "text in quotes");
      if (!spec.choices.empty() &&
          std::find(spec.choices.begin(), spec.choices.end(), node.text) == spec.choices.end()) {
        Refuse(node, name, spec.choices.size() > 1 ? "one of " + Quoted(spec.choices) : Quoted(spec.choices));
      }
      return;
    case RigValue::kInteger:
      if (node.kind != TomlNode::Kind::kInteger) Refuse(node, name, "a whole number");
      CheckRange(spec, node, name);
      return;
    case RigValue::kNumber:
      CheckFinite(node, name);
      CheckRange(spec, node, name);
      return;
    case RigValue::kPair:
      CheckPair(node, name);
      return;
    case RigValue::kNumbers:
      CheckList(node, name, "a list of numbers, for instance [2.0, 5.0, 9.0]");
      for (const TomlNode& item : node.items) {
        CheckFinite(item, name);
        CheckRange(spec, item, name);
      }
      return;
    case RigValue::kTexts:
      CheckList(node, name, "a list of texts, for instance [\"A07\", \"A08\"]");
      for (const TomlNode& item : node.items) {
        if (item.kind != TomlNode::Kind::kText || item.text.empty()) Refuse(item, name, "text in quotes");
      }
      return;
  }
}

bool HasU(const RigKey& spec) {
  return spec.type == RigValue::kNumber || spec.type == RigValue::kInteger || spec.type == RigValue::kPair;
}

void CheckUncertainty(const RigKey& spec, const TomlNode& node, const std::string& name) {
  if (spec.type == RigValue::kPair && node.kind == TomlNode::Kind::kArray) {
    CheckPair(node, name);
    for (const TomlNode& item : node.items) {
      if (!(item.number >= 0.0)) Refuse(item, name, "standard uncertainties, not negative");
    }
    return;
  }
  CheckFinite(node, name);
  if (!(node.number >= 0.0)) Refuse(node, name, "a standard uncertainty, not negative");
}

[[noreturn]] void RefuseUnknown(const std::string& section, const std::string& key, const TomlNode& node) {
  std::vector<std::string> names;
  std::string elsewhere;
  for (const RigKey& spec : RigKeys()) {
    const std::string u_name = HasU(spec) ? std::string("u_") + spec.key : std::string();
    if (spec.section == section) {
      names.emplace_back(spec.key);
      if (key.rfind("u_", 0) == 0 && !u_name.empty()) names.push_back(u_name);
    } else if (key == spec.key || key == u_name) {
      elsewhere = spec.section;
    }
  }
  std::string hint;
  if (!elsewhere.empty()) {
    hint = fmt::format("; {} belongs in [{}]", key, elsewhere);
  } else if (const auto nearest = NearestName(key, names)) {
    hint = fmt::format("; did you mean {}?", *nearest);
  }
  throw calib::InputError(fmt::format("{}: unknown key {} in [{}]{}", node.Place(), key, section, hint));
}

[[noreturn]] void RefuseUnknownSection(const std::string& name, const TomlNode& node) {
  std::vector<std::string> sections;
  for (const RigKey& spec : RigKeys()) {
    if (sections.empty() || sections.back() != spec.section) sections.emplace_back(spec.section);
    if (name == spec.key) {
      throw calib::InputError(fmt::format("{}: {} stands outside any section; it belongs in [{}]",
                                          node.Place(), name, spec.section));
    }
  }
  const auto nearest = NearestName(name, sections);
  const std::string hint = nearest ? fmt::format("; did you mean [{}]?", *nearest) : std::string();
  throw calib::InputError(fmt::format("{}: unknown section [{}]{}", node.Place(), name, hint));
}

}  // namespace

const std::vector<RigKey>& RigKeys() {
  static const std::vector<RigKey> kKeys = MakeKeys();
  return kKeys;
}

void CheckRigKeys(const TomlNode& root) {
  for (const auto& [section, table] : root.Entries()) {
    const auto in_section = [&section = section](const RigKey& spec) { return spec.section == section; };
    if (std::none_of(RigKeys().begin(), RigKeys().end(), in_section)) RefuseUnknownSection(section, table);
    if (table.kind != TomlNode::Kind::kTable) Refuse(table, section, fmt::format("a section [{}]", section));
    for (const auto& [key, node] : table.Entries()) {
      bool known = false;
      for (const RigKey& spec : RigKeys()) {
        if (spec.section != section) continue;
        const std::string name = fmt::format("[{}] {}", section, key);
        if (key == spec.key) {
          CheckValue(spec, node, name);
          known = true;
        } else if (HasU(spec) && key == std::string("u_") + spec.key) {
          CheckUncertainty(spec, node, name);
          known = true;
        }
      }
      if (!known) RefuseUnknown(section, key, node);
    }
  }
}

}  // namespace conebook::src
