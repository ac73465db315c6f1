#include "src/match_plate.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <set>

#include <fmt/format.h>

#include <calib/error.h>
#include <calib/liquid.h>

#include "src/nearest_name.h"
#include "src/sha256.h"
#include "src/toml_document.h"

namespace conebook::src {
namespace {

using calib::InputError;
using Names = std::vector<std::string>;

constexpr std::size_t kMostPositions = 400;
constexpr double kSameRadius = 0.002;  // share within which two positions are of one ring

// A table of the file: known keys only, each of its kind.
class Table {
 public:
  Table(const TomlNode& node, std::string name, const Names& known) : node_(node), name_(std::move(name)) {
    if (node.kind != TomlNode::Kind::kTable)
      throw InputError(
          fmt::format("{}: {}: expected a table, found {}", node.Place(), name_, NameOf(node.kind)));
    for (const auto& [key, value] : node.Entries()) {
      if (std::find(known.begin(), known.end(), key) != known.end()) continue;
      const auto nearest = NearestName(key, known);
      throw InputError(fmt::format(
          "{}: unknown key {} in {}; {}", value.Place(), key, name_,
          nearest ? "did you mean " + *nearest + "?" : fmt::format("known are {}", fmt::join(known, ", "))));
    }
  }

  const TomlNode* Find(const std::string& key) const { return node_.Find(key); }
  const TomlNode& Node() const { return node_; }
  const std::string& Name() const { return name_; }

  std::optional<double> Number(const std::string& key,
                               double lowest = -std::numeric_limits<double>::infinity(),
                               bool lowest_allowed = true) const {
    const TomlNode* node = Find(key);
    if (node == nullptr) return std::nullopt;
    const bool good = node->IsNumber() && std::isfinite(node->number) &&
                      (node->number > lowest || (lowest_allowed && node->number == lowest));
    if (!good)
      throw InputError(fmt::format(
          "{}: {} {}: expected a number{}, found {}", node->Place(), name_, key,
          std::isfinite(lowest) ? fmt::format(" {} {:g}", lowest_allowed ? "not below" : "above", lowest)
                                : "",
          node->IsNumber() ? fmt::format("{}", node->number) : std::string(NameOf(node->kind))));
    return node->number;
  }

  std::optional<int> Count(const std::string& key, int lowest, int highest) const {
    const auto number = Number(key);
    if (!number) return std::nullopt;
    if (Find(key)->kind != TomlNode::Kind::kInteger || *number < lowest || *number > highest)
      throw InputError(fmt::format("{}: {} {}: expected a whole number from {} to {}, found {}",
                                   Find(key)->Place(), name_, key, lowest, highest, *number));
    return static_cast<int>(*number);
  }

  std::optional<std::string> Text(const std::string& key) const { return TextOf(Find(key), key); }

  std::optional<bool> Truth(const std::string& key) const {
    const TomlNode* node = Find(key);
    if (node == nullptr) return std::nullopt;
    if (node->kind != TomlNode::Kind::kBool)
      throw InputError(fmt::format("{}: {} {}: expected true or false, found {}", node->Place(), name_, key,
                                   NameOf(node->kind)));
    return node->boolean;
  }

  const std::vector<TomlNode>* List(const std::string& key) const {
    const TomlNode* node = Find(key);
    if (node == nullptr) return nullptr;
    if (node->kind != TomlNode::Kind::kArray || node->items.empty())
      throw InputError(fmt::format("{}: {} {}: expected a list that is not empty, found {}", node->Place(),
                                   name_, key, NameOf(node->kind)));
    return &node->items;
  }

  std::optional<std::string> TextOf(const TomlNode* node, const std::string& key) const {
    if (node == nullptr) return std::nullopt;
    if (node->kind != TomlNode::Kind::kText || node->text.empty())
      throw InputError(
          fmt::format("{}: {} {}: expected text, found {}", node->Place(), name_, key,
                      node->kind == TomlNode::Kind::kText ? "an empty one" : NameOf(node->kind)));
    return node->text;
  }

  template <typename T>
  T Required(const std::optional<T>& value, const std::string& key) const {
    if (!value) throw InputError(fmt::format("{}: {}: {} is missing", node_.Place(), name_, key));
    return *value;
  }

 private:
  const TomlNode& node_;
  std::string name_;
};

double InTurn(double angle_deg) {
  const double turned = std::fmod(angle_deg, 360.0);
  return turned < 0.0 ? turned + 360.0 : turned;
}

std::optional<double> MarkOf(const Table& table, double angle_deg) {
  const auto mark_deg = table.Number("mark_deg");
  const auto mark = table.Text("mark");
  if (mark_deg && mark)
    throw InputError(
        fmt::format("{}: {}: mark and mark_deg both say where the datum mark faces; take one out",
                    table.Node().Place(), table.Name()));
  if (mark_deg) return InTurn(*mark_deg);
  if (!mark) return std::nullopt;
  if (*mark != "outward" && *mark != "inward")
    throw InputError(fmt::format("{}: {} mark: expected \"outward\" or \"inward\", found \"{}\"",
                                 table.Find("mark")->Place(), table.Name(), *mark));
  return InTurn(angle_deg + (*mark == "inward" ? 180.0 : 0.0));
}

void ReadRings(const std::vector<TomlNode>& rings, MatchPlate& plate) {
  for (std::size_t r = 0; r < rings.size(); ++r) {
    const Table table(rings[r], "rings",
                      {"count", "radius_mm", "first_angle_deg", "wall", "mark", "mark_deg"});
    const int count = table.Required(table.Count("count", 1, static_cast<int>(kMostPositions)), "count");
    const double radius_mm = table.Required(table.Number("radius_mm", 0.0, count == 1), "radius_mm");
    const double first_deg = table.Number("first_angle_deg").value_or(0.0);
    for (int k = 0; k < count; ++k) {
      MatchPosition& position = plate.positions.emplace_back();
      position.name = std::to_string(plate.positions.size());
      position.ring = static_cast<int>(r) + 1;
      position.radius_mm = radius_mm;
      position.angle_deg = InTurn(first_deg + 360.0 * k / count);
      position.wall = table.Truth("wall").value_or(false);
      position.mark_deg = MarkOf(table, position.angle_deg);
    }
  }
}

void ReadPositions(const std::vector<TomlNode>& positions, MatchPlate& plate) {
  std::vector<double> radii;
  for (const TomlNode& node : positions) {
    const Table table(node, "positions",
                      {"name", "radius_mm", "angle_deg", "ring", "wall", "mark", "mark_deg"});
    MatchPosition& position = plate.positions.emplace_back();
    position.name = table.Text("name").value_or(std::to_string(plate.positions.size()));
    position.radius_mm = table.Required(table.Number("radius_mm", 0.0), "radius_mm");
    position.angle_deg = InTurn(table.Required(table.Number("angle_deg"), "angle_deg"));
    position.wall = table.Truth("wall").value_or(false);
    position.mark_deg = MarkOf(table, position.angle_deg);
    if (const auto ring = table.Count("ring", 1, static_cast<int>(kMostPositions))) {
      position.ring = *ring;
      continue;
    }
    const auto same = std::find_if(radii.begin(), radii.end(), [&](double radius) {
      return std::abs(radius - position.radius_mm) <= kSameRadius * std::max(1.0, radius);
    });
    position.ring = static_cast<int>(same - radii.begin()) + 1;
    if (same == radii.end()) radii.push_back(position.radius_mm);
  }
  std::set<std::string> names;
  for (std::size_t i = 0; i < plate.positions.size(); ++i)
    if (!names.insert(plate.positions[i].name).second)
      throw InputError(fmt::format("{}: two positions have the name \"{}\"; give each its own",
                                   positions[i].Place(), plate.positions[i].name));
}

DrawingLimit ReadLimit(const TomlNode& node, const std::string& section, const std::string& quantity,
                       int circuit) {
  const Table table(node, fmt::format("[{}] {}", section, quantity),
                    {"target", "tolerance", "tolerance_percent", "lower", "upper"});
  DrawingLimit limit;
  limit.quantity = quantity;
  limit.circuit = circuit;
  limit.target = table.Number("target", 0.0, false);
  limit.tolerance = {table.Number("lower", 0.0), table.Number("upper", 0.0)};
  const auto tolerance = table.Number("tolerance", 0.0, false);
  const auto percent = table.Number("tolerance_percent", 0.0, false);
  if (tolerance || percent) {
    if (!limit.target)
      throw InputError(fmt::format("{}: {}: a tolerance needs a target", node.Place(), table.Name()));
    if (limit.HasLimits() || (tolerance && percent))
      throw InputError(fmt::format(
          "{}: {}: limits are given twice; state one of tolerance, tolerance_percent, lower and upper",
          node.Place(), table.Name()));
    const double half = tolerance ? *tolerance : *percent / 100.0 * *limit.target;
    limit.tolerance = {*limit.target - half, *limit.target + half};
  }
  if (limit.tolerance.lower && limit.tolerance.upper && !(*limit.tolerance.lower < *limit.tolerance.upper))
    throw InputError(fmt::format("{}: {}: lower = {:g} must be below upper = {:g}", node.Place(),
                                 table.Name(), *limit.tolerance.lower, *limit.tolerance.upper));
  const bool outside = limit.target && ((limit.tolerance.lower && *limit.target < *limit.tolerance.lower) ||
                                        (limit.tolerance.upper && *limit.target > *limit.tolerance.upper));
  if (outside)
    throw InputError(fmt::format("{}: {}: target = {:g} lies outside its limits, {}", node.Place(),
                                 table.Name(), *limit.target, calib::InWords(limit.tolerance)));
  if (!limit.target && !limit.HasLimits())
    throw InputError(fmt::format("{}: {}: says nothing; state target with tolerance, or lower, upper",
                                 node.Place(), table.Name()));
  return limit;
}

bool ByCircuit(const std::string& quantity) {
  return quantity == "flow_area_mm2";
}

std::vector<DrawingLimit> ReadLimits(const TomlNode* node, const std::string& section,
                                     const MatchPlate& plate) {
  std::vector<DrawingLimit> limits;
  if (node == nullptr) return limits;
  const Table table(*node, "[" + section + "]", LimitQuantities());
  for (const std::string& quantity : LimitQuantities()) {
    const TomlNode* limit = table.Find(quantity);
    if (limit == nullptr) continue;
    if (quantity == "circuit_ratio" && plate.circuits.empty())
      throw InputError(limit->Place() + ": circuit_ratio needs [plate] circuits, two names");
    if (quantity == "cd" && !plate.circuits.empty())
      throw InputError(limit->Place() + ": cd is of elements with one circuit; limit flow_area_mm2 of each");
    if (!ByCircuit(quantity) || plate.circuits.empty()) {
      limits.push_back(ReadLimit(*limit, section, quantity, -1));
      continue;
    }
    if (limit->kind != TomlNode::Kind::kArray || limit->items.size() != plate.circuits.size())
      throw InputError(fmt::format("{}: [{}] {}: expected a list of two, one for each of circuits, found {}",
                                   limit->Place(), section, quantity, NameOf(limit->kind)));
    for (std::size_t c = 0; c < limit->items.size(); ++c)
      limits.push_back(ReadLimit(limit->items[c], section, quantity, static_cast<int>(c)));
  }
  return limits;
}

void ReadPlateSection(const Table& table, MatchPlate& plate) {
  plate.id = table.Required(table.Text("id"), "id");
  plate.pressure_drop_bar = table.Number("pressure_drop_bar", 0.0, false);
  plate.liquid = table.Text("liquid").value_or("water");
  if (!calib::LiquidFromName(plate.liquid))
    throw InputError(
        fmt::format("{}: [plate] liquid: expected water, ethanol, isopropanol or kerosene, found \"{}\"",
                    table.Find("liquid")->Place(), plate.liquid));
  plate.temperature_c = table.Number("temperature_c").value_or(20.0);
  if (const auto* names = table.List("circuits")) {
    for (const TomlNode& name : *names) plate.circuits.push_back(*table.TextOf(&name, "circuits"));
    if (plate.circuits.size() != 2 || plate.circuits[0] == plate.circuits[1])
      throw InputError(fmt::format("{}: [plate] circuits: expected two different names, found {}",
                                   table.Find("circuits")->Place(), fmt::join(plate.circuits, ", ")));
  }
  const auto* rings = table.List("rings");
  const auto* positions = table.List("positions");
  if ((rings == nullptr) == (positions == nullptr))
    throw InputError(fmt::format(
        "{}: [plate]: state rings or positions, {}", table.Node().Place(),
        rings == nullptr ? "for instance rings = [{ count = 12, radius_mm = 30.0 }]" : "not both"));
  if (rings != nullptr) ReadRings(*rings, plate);
  if (positions != nullptr) ReadPositions(*positions, plate);
  if (plate.positions.size() > kMostPositions)
    throw InputError(fmt::format("{}: the plate has {} positions; {} is the most", table.Node().Place(),
                                 plate.positions.size(), kMostPositions));
}

}  // namespace

const std::vector<std::string>& LimitQuantities() {
  static const std::vector<std::string> kNames{
      "flow_area_mm2",        "cd",         "cone_half_angle_deg", "half_angle_deg",
      "sheet_half_angle_deg", "breakup_mm", "circuit_ratio",       "lean_deg"};
  return kNames;
}

std::optional<double> DrawingLimit::HalfWidth() const {
  if (tolerance.lower && tolerance.upper) return 0.5 * (*tolerance.upper - *tolerance.lower);
  if (!target) return std::nullopt;
  if (tolerance.upper && *tolerance.upper > *target) return *tolerance.upper - *target;
  if (tolerance.lower && *tolerance.lower < *target) return *target - *tolerance.lower;
  return std::nullopt;
}

bool MatchPlate::HasWallRow() const {
  return std::any_of(positions.begin(), positions.end(), [](const MatchPosition& p) { return p.wall; });
}

const DrawingLimit* MatchPlate::LimitOf(bool wall, const std::string& quantity, int circuit) const {
  for (const DrawingLimit& limit : limits[wall ? 1 : 0])
    if (limit.quantity == quantity && limit.circuit == circuit) return &limit;
  return nullptr;
}

MatchPlate ReadMatchPlate(const std::string& path) {
  const TomlNode document = ReadToml(path);
  const Table root(document, "the plate file", {"plate", "limits", "wall_limits", "weights", "match"});
  const TomlNode* section = root.Find("plate");
  if (section == nullptr) throw InputError(path + ": [plate] is missing");
  MatchPlate plate;
  plate.path = path;
  plate.sha256 = FileSha256(path);
  ReadPlateSection(
      Table(*section, "[plate]",
            {"id", "pressure_drop_bar", "liquid", "temperature_c", "circuits", "rings", "positions"}),
      plate);
  plate.limits[0] = ReadLimits(root.Find("limits"), "limits", plate);
  plate.limits[1] = ReadLimits(root.Find("wall_limits"), "wall_limits", plate);
  if (!plate.limits[1].empty() && !plate.HasWallRow())
    throw InputError(root.Find("wall_limits")->Place() +
                     ": [wall_limits], but no ring or position has wall = true");
  for (const DrawingLimit& limit : plate.limits[0])
    if (plate.LimitOf(true, limit.quantity, limit.circuit) == nullptr) plate.limits[1].push_back(limit);
  if (const TomlNode* weights = root.Find("weights")) {
    const Table table(*weights, "[weights]",
                      {"flow", "angle", "circuit_ratio", "first_harmonic", "second_harmonic", "lean"});
    calib::MatchWeights& w = plate.weights;
    for (const auto& [key, weight] : {std::pair<const char*, double*>{"flow", &w.flow},
                                      {"angle", &w.angle},
                                      {"circuit_ratio", &w.circuit_ratio},
                                      {"first_harmonic", &w.first_harmonic},
                                      {"second_harmonic", &w.second_harmonic},
                                      {"lean", &w.lean}})
      *weight = table.Number(key, 0.0).value_or(*weight);
  }
  if (const TomlNode* match = root.Find("match")) {
    const Table table(*match, "[match]", {"guard_u", "use_undecided", "spares"});
    plate.guard_u = table.Number("guard_u", 0.0).value_or(plate.guard_u);
    plate.use_undecided = table.Truth("use_undecided").value_or(false);
    plate.spares = table.Count("spares", 0, 1000).value_or(plate.spares);
  }
  return plate;
}

}  // namespace conebook::src
