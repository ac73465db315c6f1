#include "src/circuit_keys.h"

#include <algorithm>
#include <array>
#include <string_view>

#include <fmt/core.h>

#include <calib/error.h>

#include "src/nearest_name.h"

namespace conebook::src {
namespace {

using calib::InputError;

struct CircuitKey {
  const char* key;      // of [[circuit]]
  const char* section;  // of the rig
  const char* rig_key;
};

constexpr std::array kKeys{
    CircuitKey{"pressure", "log", "pressure"},
    CircuitKey{"pressure_unit", "log", "pressure_unit"},
    CircuitKey{"pressure_kind", "log", "pressure_kind"},
    CircuitKey{"flow", "log", "flow"},
    CircuitKey{"flow_unit", "log", "flow_unit"},
    CircuitKey{"temperature", "log", "temperature"},
    CircuitKey{"liquid", "stand", "liquid"},
    CircuitKey{"density_kg_m3", "stand", "density_kg_m3"},
    CircuitKey{"viscosity_pa_s", "stand", "viscosity_pa_s"},
    CircuitKey{"surface_tension_n_m", "stand", "surface_tension_n_m"},
    CircuitKey{"vapour_pressure_pa", "stand", "vapour_pressure_pa"},
    CircuitKey{"temperature_c", "stand", "temperature_c"},
    CircuitKey{"reference_area_mm2", "stand", "reference_area_mm2"},
    CircuitKey{"area_kind", "stand", "area_kind"},
    CircuitKey{"pressure_tap", "stand", "pressure_tap"},
    CircuitKey{"tap_above_exit_mm", "stand", "tap_above_exit_mm"},
    CircuitKey{"exit_diameter_mm", "nozzle", "exit_diameter_mm"},
    CircuitKey{"kind", "element", "kind"},
    CircuitKey{"inlet_count", "element", "inlet_count"},
    CircuitKey{"inlet_diameter_mm", "element", "inlet_diameter_mm"},
    CircuitKey{"chamber_diameter_mm", "element", "chamber_diameter_mm"},
    CircuitKey{"chamber_length_mm", "element", "chamber_length_mm"},
    CircuitKey{"exit_length_mm", "element", "exit_length_mm"},
    CircuitKey{"k_factor_per_l", "meter", "k_factor_per_l"},
    CircuitKey{"meter_u_percent", "meter", "u_percent"},
    CircuitKey{"meter_calibration", "meter", "calibration"},
    CircuitKey{"pressure_calibration", "pressure", "calibration"},
    CircuitKey{"zero_bar", "pressure", "zero_bar"},
    CircuitKey{"line_loss", "stand", "line_loss"},
    CircuitKey{"nominal_bar", "points", "nominal_bar"},
    CircuitKey{"tolerance_bar", "points", "tolerance_bar"},
    CircuitKey{"pressure_u_percent", "pressure", "u_percent"},
};

// Of keys with a u_.
std::string_view WithoutU(std::string_view key) {
  return key.starts_with("u_") ? key.substr(2) : key;
}

void Erase(TomlNode& table, const std::string& key) {
  const auto at = std::find(table.keys.begin(), table.keys.end(), key);
  if (at == table.keys.end()) return;
  table.items.erase(table.items.begin() + (at - table.keys.begin()));
  table.keys.erase(at);
}

TomlNode* Section(TomlNode& root, const std::string& name) {
  const auto at = std::find(root.keys.begin(), root.keys.end(), name);
  return at == root.keys.end() ? nullptr : &root.items[static_cast<std::size_t>(at - root.keys.begin())];
}

[[noreturn]] void RefuseKey(const TomlNode& node, const std::string& key) {
  std::vector<std::string> names{"name"};
  for (const CircuitKey& known : kKeys) names.emplace_back(known.key);
  const auto nearest = NearestName(key, names);
  throw InputError(fmt::format("{}: unknown key {} in [[circuit]]{}", node.Place(), key,
                               nearest ? "; did you mean " + *nearest + "?" : std::string()));
}

std::string NameIn(const TomlNode& circuit, const std::vector<CircuitDocument>& before) {
  const TomlNode* name = circuit.Find("name");
  if (name == nullptr || name->kind != TomlNode::Kind::kText || name->text.empty())
    throw InputError(circuit.Place() + ": [[circuit]] name is missing, for instance name = \"core\"");
  for (const CircuitDocument& other : before) {
    if (other.name == name->text)
      throw InputError(
          fmt::format("{}: two circuits have the name \"{}\"; give each its own", name->Place(), name->text));
  }
  return name->text;
}

}  // namespace

std::string CircuitKeyOf(const std::string& section, const std::string& key) {
  for (const CircuitKey& known : kKeys) {
    if (section == known.section && key == known.rig_key) return known.key;
  }
  return "";
}

TomlNode WithoutCircuits(const TomlNode& rig) {
  TomlNode rest = rig;
  Erase(rest, "circuit");
  return rest;
}

std::vector<CircuitDocument> CircuitDocuments(const TomlNode& rig) {
  const TomlNode* list = rig.Find("circuit");
  if (list == nullptr) return {};
  const bool tables = list->kind == TomlNode::Kind::kArray &&
                      std::all_of(list->items.begin(), list->items.end(),
                                  [](const TomlNode& item) { return item.kind == TomlNode::Kind::kTable; });
  if (!tables) throw InputError(list->Place() + ": circuit: expected tables [[circuit]]");
  if (list->items.size() < 2) {
    throw InputError(list->Place() +
                     ": one [[circuit]] alone; state two or more, or put its keys into [log] and [stand]");
  }
  if (const TomlNode* meter = rig.Find("meter"); meter != nullptr && meter->Find("calibration") != nullptr) {
    throw InputError(
        meter->Find("calibration")->Place() +
        ": [meter] calibration is of one meter, circuits have one each; state meter_calibration, "
        "k_factor_per_l or meter_u_percent in each [[circuit]]");
  }
  std::vector<CircuitDocument> circuits;
  for (const TomlNode& circuit : list->items) {
    CircuitDocument& one = circuits.emplace_back();
    const std::string name = NameIn(circuit, circuits);
    one.document = WithoutCircuits(rig);
    for (const auto& [key, node] : circuit.Entries()) {
      if (key == "name") continue;
      const auto known = std::find_if(kKeys.begin(), kKeys.end(), [&, &key = key](const CircuitKey& of) {
        return WithoutU(key) == of.key;
      });
      if (known == kKeys.end()) RefuseKey(node, key);
      const bool is_u = WithoutU(key) != key;
      // The rig's u belongs to the rig's value.
      if (TomlNode* section = Section(one.document, known->section);
          section != nullptr && !is_u && circuit.Find("u_" + key) == nullptr) {
        Erase(*section, std::string("u_") + known->rig_key);
      }
      SetValue(one.document, known->section, (is_u ? "u_" : "") + std::string(known->rig_key), node);
      // A calibration takes the place of the factor that the rig states for all.
      if (TomlNode* meter = Section(one.document, "meter");
          key == "meter_calibration" && circuit.Find("k_factor_per_l") == nullptr) {
        Erase(*meter, "k_factor_per_l");
        Erase(*meter, "u_k_factor_per_l");
      }
    }
    if (circuit.Find("flow") == nullptr) {
      throw InputError(fmt::format("{}: [[circuit]] {}: flow is missing; name its column of the log",
                                   circuit.Place(), name));
    }
    one.name = name;
  }
  return circuits;
}

}  // namespace conebook::src
