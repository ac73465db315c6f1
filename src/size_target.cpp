#include "src/size_target.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <map>

#include <fmt/core.h>

#include <calib/error.h>
#include <calib/liquid.h>

#include "src/nearest_name.h"
#include "src/toml_document.h"

namespace conebook::src {
namespace {

using calib::InputError;
using Names = std::vector<std::string>;

constexpr double kPaPerBar = 1e5;
constexpr double kKelvin = 273.15;
constexpr double kVapourMargin = 1.2;
constexpr double kHighestReduced = 0.9;
constexpr int kMostElements = 400;
constexpr std::size_t kMostInList = 60;

const std::map<std::string, Names>& Keys() {
  static const std::map<std::string, Names> kKeys{
      {"target", {"total_flow_kg_s", "pressure_drop_bar", "cone_half_angle_deg", "flow_within_percent"}},
      {"liquid",
       {"name", "temperature_c", "density_kg_m3", "viscosity_pa_s", "vapour_pressure_pa",
        "critical_temperature_c"}},
      {"chamber", {"pressure_bar", "gas_density_kg_m3"}},
      {"plate",
       {"diameter_mm", "wall_clearance_mm", "least_pitch_mm", "wall_diameter_mm", "layout", "elements"}},
      {"drills",
       {"inlet_mm", "exit_mm", "chamber_mm", "inlet_count", "exit_length_mm", "exit_length_diameters",
        "tolerance_mm"}}};
  return kKeys;
}

void CheckKnown(const TomlNode& node, const std::string& key, const Names& known, const std::string& where) {
  if (std::find(known.begin(), known.end(), key) != known.end()) return;
  const auto nearest = NearestName(key, known);
  throw InputError(fmt::format("{}: unknown {} {}{}", node.Place(), where, key,
                               nearest ? "; did you mean " + *nearest + "?" : std::string()));
}

class Section {
 public:
  Section(const TomlNode& root, const std::string& name) : path_(*root.file), name_(name) {
    const TomlNode* table = root.Find(name);
    if (table == nullptr) return;
    if (table->kind != TomlNode::Kind::kTable)
      throw InputError(
          fmt::format("{}: {}: expected a table, found {}", table->Place(), name, NameOf(table->kind)));
    table_ = table;
  }

  const TomlNode* Find(const std::string& key) const { return table_ ? table_->Find(key) : nullptr; }
  bool Has(const std::string& key) const { return Find(key) != nullptr; }

  const TomlNode& Required(const std::string& key) const {
    const TomlNode* node = Find(key);
    if (node == nullptr) throw InputError(fmt::format("{}: [{}] {} is missing", path_, name_, key));
    return *node;
  }

  static double Checked(const TomlNode& node, const std::string& key, double above, double highest) {
    const bool good =
        node.IsNumber() && std::isfinite(node.number) && node.number > above && node.number <= highest;
    if (!good) {
      const std::string found =
          node.IsNumber() ? fmt::format("{:g}", node.number) : std::string(NameOf(node.kind));
      const std::string limit = std::isfinite(highest) ? fmt::format(" and at most {:g}", highest) : "";
      throw InputError(fmt::format("{}: {}: expected a number above {:g}{}, found {}", node.Place(), key,
                                   above, limit, found));
    }
    return node.number;
  }

  double Number(const std::string& key, double above = 0.0, double highest = kInf) const {
    return Checked(Required(key), key, above, highest);
  }
  double NumberOr(const std::string& key, double otherwise, double above = 0.0, double highest = kInf) const {
    return Has(key) ? Number(key, above, highest) : otherwise;
  }

  std::vector<double> Numbers(const std::string& key, double highest = kInf) const {
    const TomlNode& node = Required(key);
    if (node.kind != TomlNode::Kind::kArray || node.items.empty() || node.items.size() > kMostInList)
      throw InputError(
          fmt::format("{}: {}: expected a list of 1 to {} numbers, found {}", node.Place(), key, kMostInList,
                      node.kind == TomlNode::Kind::kArray ? fmt::format("{} items", node.items.size())
                                                          : std::string(NameOf(node.kind))));
    std::vector<double> numbers;
    for (const TomlNode& item : node.items) numbers.push_back(Checked(item, key, 0.0, highest));
    return numbers;
  }

  std::vector<int> Counts(const std::string& key, double highest) const {
    std::vector<int> counts;
    for (const double number : Numbers(key, highest)) {
      if (number != std::floor(number))
        throw InputError(
            fmt::format("{}: {}: expected whole numbers, found {:g}", Required(key).Place(), key, number));
      counts.push_back(static_cast<int>(number));
    }
    return counts;
  }

  std::pair<double, double> Span(const std::string& key, double highest) const {
    const std::vector<double> numbers = Numbers(key, highest);
    if (numbers.size() != 2 || !(numbers[0] <= numbers[1]))
      throw InputError(fmt::format("{}: {}: expected [from, to], rising", Required(key).Place(), key));
    return {numbers[0], numbers[1]};
  }

  std::string Text(const std::string& key) const {
    const TomlNode& node = Required(key);
    if (node.kind != TomlNode::Kind::kText || node.text.empty())
      throw InputError(fmt::format("{}: {}: expected text, found {}", node.Place(), key, NameOf(node.kind)));
    return node.text;
  }

  std::string Place(const std::string& key) const {
    const TomlNode* node = Find(key);
    return node ? node->Place() : path_;
  }

 private:
  static constexpr double kInf = std::numeric_limits<double>::infinity();
  std::string path_, name_;
  const TomlNode* table_ = nullptr;
};

double CriticalTemperatureC(calib::LiquidKind kind) {
  switch (kind) {
    case calib::LiquidKind::kWater:
      return 373.946;  // 647.096 K, IAPWS R1-76(2014)
    case calib::LiquidKind::kEthanol:
      return 240.8;  // handbooks, from memory
    case calib::LiquidKind::kIsopropanol:
      return 235.2;  // handbooks, from memory
    case calib::LiquidKind::kKerosene:
      return 380.0;  // of the lighter cuts, common practice, no source
  }
  return 0.0;
}

SizeLiquid ReadLiquid(const Section& section, double pressure_pa) {
  const double temperature = section.NumberOr("temperature_c", 20.0, -kKelvin);
  const bool own = section.Has("density_kg_m3");
  if (!own) {
    for (const char* key : {"viscosity_pa_s", "vapour_pressure_pa", "critical_temperature_c"}) {
      if (section.Has(key))
        throw InputError(fmt::format(
            "{}: {} belongs to a liquid of one's own: state its density_kg_m3, too, or name alone",
            section.Place(key), key));
    }
    return LiquidByName(section.Has("name") ? section.Text("name") : "water", temperature, pressure_pa,
                        section.Place("name"));
  }
  SizeLiquid liquid;
  liquid.name = section.Has("name") ? section.Text("name") : "";
  liquid.temperature_c = temperature;
  liquid.density_kg_m3 = section.Number("density_kg_m3");
  liquid.u_ln_density = 0.002;
  liquid.viscosity_pa_s = section.Number("viscosity_pa_s");
  liquid.vapour_pressure_pa = section.Number("vapour_pressure_pa");
  liquid.critical_temperature_c = section.Number("critical_temperature_c", -kKelvin);
  return liquid;
}

}  // namespace

SizeLiquid LiquidByName(const std::string& name, double temperature_c, double pressure_pa,
                        const std::string& place) {
  const auto kind = calib::LiquidFromName(name);
  if (!kind)
    throw InputError(fmt::format(
        "{}: liquid \"{}\" is not known (water, ethanol, isopropanol, kerosene are); of one's own, state "
        "density_kg_m3, viscosity_pa_s, vapour_pressure_pa and critical_temperature_c",
        place, name));
  SizeLiquid liquid;
  liquid.name = calib::NameOf(*kind);
  liquid.temperature_c = temperature_c;
  liquid.critical_temperature_c = CriticalTemperatureC(*kind);
  const calib::LiquidProperty density = calib::DensityKgM3(*kind, temperature_c, pressure_pa);
  liquid.density_kg_m3 = density.value;
  liquid.u_ln_density = density.u_formula / density.value;
  liquid.viscosity_pa_s = calib::ViscosityPaS(*kind, temperature_c).value;
  liquid.vapour_pressure_pa = calib::VapourPressurePa(*kind, temperature_c).value;
  return liquid;
}

void RefuseFlashing(const SizeLiquid& liquid, double chamber_bar, const std::string& place) {
  if (liquid.vapour_pressure_pa * kVapourMargin > chamber_bar * kPaPerBar)
    throw InputError(fmt::format(
        "{}: the liquid's vapour pressure is {:.3g} bar at {:g} C, {:g} bar stand behind the elements: it "
        "would "
        "boil on the way (flashing), which no law of cold single-phase flow tells of; refused below a margin "
        "of "
        "{:g}",
        place, liquid.vapour_pressure_pa / kPaPerBar, liquid.temperature_c, chamber_bar, kVapourMargin));
  const double reduced = (liquid.temperature_c + kKelvin) / (liquid.critical_temperature_c + kKelvin);
  if (reduced > kHighestReduced)
    throw InputError(
        fmt::format("{}: the liquid at {:g} C is at {:.2f} of its critical temperature ({:g} C, in kelvin): "
                    "near-critical "
                    "liquids are not sized, above {:g} refused",
                    place, liquid.temperature_c, reduced, liquid.critical_temperature_c, kHighestReduced));
}

calib::PlateSpace SizeTarget::Space() const {
  // The wall may be nearer than the plate's edge, or the other way round.
  return {std::min(0.5 * wall_diameter_mm - wall_clearance_mm, 0.5 * plate_diameter_mm), least_pitch_mm};
}

SizeFlow SizeTarget::Flow() const {
  return {pressure_drop_bar, liquid.density_kg_m3, liquid.viscosity_pa_s, liquid.u_ln_density, liquid.name};
}

SizeTarget ReadSizeTarget(const std::string& path) {
  const TomlNode root = ReadToml(path);
  Names sections;
  for (const auto& [name, keys] : Keys()) sections.push_back(name);
  for (const auto& [name, node] : root.Entries()) {
    CheckKnown(node, name, sections, "section");
    if (node.kind != TomlNode::Kind::kTable) continue;
    for (const auto& [key, value] : node.Entries())
      CheckKnown(value, key, Keys().at(name), "key [" + name + "]");
  }
  const Section target(root, "target"), liquid(root, "liquid"), chamber(root, "chamber"),
      plate(root, "plate"), drills(root, "drills");
  SizeTarget out;
  out.path = path;
  out.total_flow_kg_s = target.Number("total_flow_kg_s");
  out.pressure_drop_bar = target.Number("pressure_drop_bar", 0.0, 1000.0);
  std::tie(out.angle_lo_deg, out.angle_hi_deg) = target.Span("cone_half_angle_deg", 85.0);
  out.flow_within_percent = target.NumberOr("flow_within_percent", 5.0, 0.0, 50.0);
  out.chamber_bar = chamber.Number("pressure_bar");
  if (chamber.Has("gas_density_kg_m3")) out.gas_density_kg_m3 = chamber.Number("gas_density_kg_m3");
  out.liquid = ReadLiquid(liquid, (out.chamber_bar + out.pressure_drop_bar) * kPaPerBar);
  RefuseFlashing(out.liquid, out.chamber_bar, liquid.Place("name"));
  out.plate_diameter_mm = plate.Number("diameter_mm");
  out.wall_clearance_mm = plate.Number("wall_clearance_mm");
  out.least_pitch_mm = plate.Number("least_pitch_mm");
  out.wall_diameter_mm = plate.NumberOr("wall_diameter_mm", out.plate_diameter_mm);
  if (!(out.Space().usable_radius_mm >= 0.0))
    throw InputError(fmt::format("{}: wall_clearance_mm {:g} leaves no room on a plate of {:g} mm",
                                 plate.Place("wall_clearance_mm"), out.wall_clearance_mm,
                                 out.plate_diameter_mm));
  if (plate.Has("layout")) {
    const std::string layout = plate.Text("layout");
    if (layout != "rings" && layout != "hexagonal")
      throw InputError(fmt::format("{}: layout: expected \"rings\" or \"hexagonal\", found \"{}\"",
                                   plate.Place("layout"), layout));
    out.layout = layout == "rings" ? calib::LayoutKind::kRings : calib::LayoutKind::kHexagonal;
  }
  if (plate.Has("elements")) {
    const std::vector<int> span = plate.Counts("elements", kMostElements);
    if (span.size() != 2 || span[0] > span[1])
      throw InputError(fmt::format("{}: elements: expected [fewest, most]", plate.Place("elements")));
    out.fewest = span[0];
    out.most = span[1];
  }
  out.inlet_mm = drills.Numbers("inlet_mm");
  out.exit_mm = drills.Numbers("exit_mm");
  out.chamber_mm = drills.Numbers("chamber_mm");
  out.inlet_counts = drills.Counts("inlet_count", 24);
  if (drills.Has("exit_length_mm") == drills.Has("exit_length_diameters"))
    throw InputError(fmt::format("{}: [drills]: give one of exit_length_mm and exit_length_diameters", path));
  if (drills.Has("exit_length_mm"))
    out.exit_length_mm = drills.Numbers("exit_length_mm");
  else
    out.exit_length_diameters = drills.Number("exit_length_diameters", 0.0, 20.0);
  out.tolerance_mm = drills.NumberOr("tolerance_mm", 0.02);
  return out;
}

}  // namespace conebook::src
