#include "src/archive/element_readings.h"

#include <algorithm>
#include <cmath>
#include <set>
#include <tuple>
#include <unordered_map>

#include <SQLiteCpp/SQLiteCpp.h>
#include <fmt/format.h>

#include "src/archive/database.h"
#include "src/archive/reading_columns.h"

namespace conebook::src {
namespace {

// Where a reading stands in the index. shares: its name in reading_columns.h, or nothing.
struct Place {
  const char *name, *value, *u, *shares;
};

const std::array<Place, kReadQuantities>& Places() {
  static const std::array<Place, kReadQuantities> kPlaces{{
      {"pressure_bar", "p.pressure_bar", "p.u_pressure_bar", nullptr},
      {"flow_kg_s", "p.flow_kg_s", "p.u_flow_kg_s", nullptr},
      {"flow_area_mm2", "p.flow_area_mm2", "p.u_flow_area_mm2", "flow_area"},
      {"cd", "p.cd", "p.u_cd", "cd"},
      {"half_angle_mean_deg", "p.half_angle_mean_deg", "p.u_half_angle_mean_deg", "half_angle_mean"},
      {"half_angle_left_deg", "p.half_angle_left_deg", "p.u_half_angle_left_deg", "half_angle_left"},
      {"half_angle_right_deg", "p.half_angle_right_deg", "p.u_half_angle_right_deg", "half_angle_right"},
      {"lean_deg", "p.lean_deg", "p.u_lean_deg", "lean"},
      {"sheet_half_angle_deg", "p.sheet_half_angle_deg", "p.u_sheet_half_angle_deg", "sheet_half_angle"},
      {"cone_half_angle_deg", "p.cone_half_angle_deg", "p.u_cone_half_angle_deg", "cone_half_angle"},
      {"breakup_mm", "p.breakup_mm", "p.u_breakup_mm", "breakup"},
      {"d32_um", "p.d32_um", "p.u_d32_um", "d32"},
      {"grain_index", "r.grain_index", "r.u_grain_index", nullptr},
      {"scatter_deg", "r.scatter_deg", "r.u_scatter_deg", nullptr},
      {"pulsation_amplitude_deg", "p.pulsation_amplitude_deg", "r.u_pulsation_amplitude_deg", nullptr},
  }};
  return kPlaces;
}

std::optional<double> NumberIn(const SQLite::Column& column) {
  return column.isNull() ? std::nullopt : std::optional(column.getDouble());
}

std::string PointsSql() {
  std::string columns =
      "p.n, r.direction, r.cd_area, p.temperature_c, p.breakup_lower_bound_mm, r.d32_cutoff_um, "
      "p.pulsation_hz, r.cd_area_mm2";
  for (const Place& place : Places()) {
    columns += fmt::format(", {}, {}", place.value, place.u);
    if (place.shares == nullptr) continue;
    for (const calib::Shared shared : kAllShared)
      columns += fmt::format(", r.{}_{}", place.shares, calib::NameOf(shared));
  }
  return "SELECT " + columns +
         " FROM point p JOIN reading r ON r.sha256 = p.sha256 AND r.n = p.n WHERE p.sha256 = ? ORDER BY p.n";
}

PointReadings PointOf(SQLite::Statement& statement) {
  PointReadings point;
  int at = 0;
  point.n = statement.getColumn(at++).getInt();
  const std::string direction = statement.getColumn(at++).getString();
  point.direction = direction == "rising"    ? Direction::kRising
                    : direction == "falling" ? Direction::kFalling
                                             : Direction::kUnknown;
  point.cd_area = statement.getColumn(at++).getString();
  for (auto* number : {&point.temperature_c, &point.breakup_lower_bound_mm, &point.d32_cutoff_um,
                       &point.pulsation_hz, &point.cd_area_mm2})
    *number = NumberIn(statement.getColumn(at++));
  for (std::size_t i = 0; i < kReadQuantities; ++i) {
    const bool shared = Places()[i].shares != nullptr;
    const auto value = NumberIn(statement.getColumn(at)), u = NumberIn(statement.getColumn(at + 1));
    at += 2;
    if (value) {
      ReadValue& read = point.values[i].emplace();
      read.value = *value;
      read.u = u.value_or(0.0);
      read.shares.clip = read.u;
      if (shared) {
        int share = at;
        for (double* part : {&read.shares.frames, &read.shares.clip, &read.shares.rig, &read.shares.meter,
                             &read.shares.day, &read.shares.model})
          *part = NumberIn(statement.getColumn(share++)).value_or(0.0);
      }
    }
    if (shared) at += static_cast<int>(kAllShared.size());
  }
  return point;
}

struct SetupReader {
  SQLite::Statement statement;
  explicit SetupReader(SQLite::Database& database)
      : statement(database, "SELECT * FROM setup WHERE sha256 = ?") {}

  // Gives the mount as the rig states it.
  std::string Read(RunReadings& run) {
    statement.reset();
    statement.bind(1, run.key);
    std::string mount;
    if (!statement.executeStep()) return mount;
    int at = 1;
    for (std::string* text : {&run.role, &mount, &run.rig_shared, &run.meter_shared, &run.liquid,
                              &run.illumination, &run.lean_against, &run.measured_by})
      *text = statement.getColumn(at++).getString();
    for (auto* number : {&run.rotation_deg, &run.near_mm, &run.far_mm})
      *number = NumberIn(statement.getColumn(at++));
    ++at;  // the log's time, which mounts are told by
    for (const std::string& name : SetupNumbers()) {
      if (const auto number = NumberIn(statement.getColumn(at++))) run.geometry[name] = *number;
    }
    return mount;
  }
};

// Position of every run of a day in its log: a number that goes up by one whenever another element comes.
void AddSpells(SQLite::Database& database, const std::string& date,
               std::unordered_map<std::string, int>& spell_of) {
  SQLite::Statement statement(
      database,
      "SELECT run.log, run.element, run.sha256 FROM run JOIN setup USING(sha256) WHERE "
      "date = ? AND log <> '' AND log_t0_s IS NOT NULL ORDER BY log, log_t0_s, sha256");
  statement.bind(1, date);
  std::string log, element;
  int spell = 0;
  while (statement.executeStep()) {
    const std::string this_log = statement.getColumn(0).getString(),
                      this_element = statement.getColumn(1).getString();
    if (this_log != log || this_element != element) ++spell;
    log = this_log;
    element = this_element;
    spell_of[statement.getColumn(2).getString()] = spell;
  }
}

// runs: by element, date and key. stated: the mounts that rigs state, in the same order.
void NumberMounts(const std::vector<std::string>& stated,
                  const std::unordered_map<std::string, int>& spell_of, std::vector<RunReadings>& runs) {
  using Mount = std::tuple<std::string, int, double>;
  std::map<Mount, int> known;
  for (std::size_t i = 0; i < runs.size(); ++i) {
    RunReadings& run = runs[i];
    if (i == 0 || runs[i - 1].element != run.element || runs[i - 1].date != run.date) known.clear();
    const auto spell = spell_of.find(run.key);
    const Mount mount = stated[i].empty() ? Mount{"", spell == spell_of.end() ? 0 : spell->second,
                                                  run.rotation_deg.value_or(0.0)}
                                          : Mount{stated[i], 0, 0.0};
    run.mount = known.emplace(mount, static_cast<int>(known.size()) + 1).first->second;
  }
}

}  // namespace

const char* NameOf(ReadQuantity quantity) {
  return Places()[static_cast<std::size_t>(quantity)].name;
}

double Shares::Own() const {
  return std::hypot(frames, clip);
}

std::vector<RunReadings> FindReadings(const std::string& path, const RunFilter& filter) {
  std::vector<RunRow> rows = FindRuns(path, filter, RunOrder::kElement);
  std::erase_if(rows, [](const RunRow& row) { return !row.counts; });
  const auto database = OpenDatabase(path, Access::kRead);
  std::vector<RunReadings> runs;
  runs.reserve(rows.size());
  Reading(path, [&] {
    SetupReader setup(*database);
    SQLite::Statement points(*database, PointsSql());
    std::vector<std::string> mounts;
    std::set<std::string> dates;
    for (const RunRow& row : rows) {
      RunReadings& run = runs.emplace_back();
      run.key = row.key;
      run.origin = row.origin;
      run.element = row.element;
      run.batch = row.batch;
      run.kind = row.kind;
      run.date = row.date;
      run.verdict = row.verdict;
      run.log = row.log;
      mounts.push_back(setup.Read(run));
      if (!row.log.empty()) dates.insert(row.date);
      points.reset();
      points.bind(1, row.key);
      while (points.executeStep()) run.points.push_back(PointOf(points));
    }
    std::unordered_map<std::string, int> spell_of;
    for (const std::string& date : dates) AddSpells(*database, date, spell_of);
    NumberMounts(mounts, spell_of, runs);
  });
  return runs;
}

namespace {

std::vector<std::string> NamesIn(const std::string& path, const char* sql) {
  const auto database = OpenDatabase(path, Access::kRead);
  std::vector<std::string> names;
  Reading(path, [&] {
    SQLite::Statement statement(*database, sql);
    while (statement.executeStep()) names.push_back(statement.getColumn(0).getString());
  });
  return names;
}

}  // namespace

std::vector<std::string> FindCheckElements(const std::string& path) {
  return NamesIn(path,
                 "SELECT DISTINCT element FROM run JOIN setup USING(sha256) WHERE role = 'check' ORDER BY 1");
}

std::vector<std::string> FindBatches(const std::string& path) {
  return NamesIn(path, "SELECT DISTINCT batch FROM run WHERE batch <> '' ORDER BY 1");
}

std::optional<ReadValue> ReadAt(const RunReadings& run, ReadQuantity quantity, double pressure_bar,
                                Direction branch, double tolerance) {
  if (branch == Direction::kUnknown) {
    const auto first = ReadAt(run, quantity, pressure_bar, Direction::kRising, tolerance);
    return first ? first : ReadAt(run, quantity, pressure_bar, Direction::kFalling, tolerance);
  }
  struct At {
    double log_bar;
    const ReadValue* value;
  };
  std::optional<At> below, above, nearest;
  const double wanted = std::log(pressure_bar);
  const auto distance = [&](const At& at) { return std::abs(at.log_bar - wanted); };
  for (const PointReadings& point : run.points) {
    const auto &pressure = point[ReadQuantity::kPressureBar], &value = point[quantity];
    if (!pressure || !value || !(pressure->value > 0.0)) continue;
    if ((point.direction == Direction::kFalling) != (branch == Direction::kFalling)) continue;
    const At at{std::log(pressure->value), &*value};
    if (!nearest || distance(at) < distance(*nearest)) nearest = at;
    if (at.log_bar <= wanted && (!below || at.log_bar > below->log_bar)) below = at;
    if (at.log_bar > wanted && (!above || at.log_bar < above->log_bar)) above = at;
  }
  if (!nearest) return std::nullopt;
  if (distance(*nearest) <= tolerance) return *nearest->value;
  if (!below || !above) return std::nullopt;
  const double upper = (wanted - below->log_bar) / (above->log_bar - below->log_bar), lower = 1.0 - upper;
  const ReadValue &a = *below->value, &b = *above->value;
  ReadValue between;
  between.value = lower * a.value + upper * b.value;
  between.shares.frames = std::hypot(lower * a.shares.frames, upper * b.shares.frames);
  double squares = between.shares.frames * between.shares.frames;
  for (double Shares::*share : {&Shares::clip, &Shares::rig, &Shares::meter, &Shares::day, &Shares::model}) {
    between.shares.*share = lower * a.shares.*share + upper * b.shares.*share;
    squares += between.shares.*share * (between.shares.*share);
  }
  between.u = std::sqrt(squares);
  return between;
}

std::map<std::string, ElementFacts> FindElementFacts(const std::string& path) {
  std::map<std::string, ElementFacts> elements;
  for (const FactRow& row : FindFacts(path, std::nullopt)) {
    ElementFacts& facts = elements[row.element];
    if (row.disputed) {
      if (facts.disputed.empty() || facts.disputed.back() != row.name) facts.disputed.push_back(row.name);
      continue;
    }
    // A drawing's number may begin with a digit: names that are no number stay text.
    const bool number = row.name == "inlet_count" || row.name.ends_with("_mm");
    std::size_t read = 0;
    double value = 0.0;
    if (number) {
      try {
        value = std::stod(row.value, &read);
      } catch (const std::exception&) {
        read = 0;
      }
    }
    if (number && read == row.value.size())
      facts.numbers[row.name] = value;
    else
      facts.texts[row.name] = row.value;
  }
  for (const StockRow& row : FindStock(path, std::nullopt)) {
    ElementFacts& facts = elements[row.element];
    facts.state = row.state;
    facts.plate = row.plate;
    facts.position = row.position;
    facts.since = row.date;
  }
  for (auto& [name, facts] : elements) facts.element = name;
  return elements;
}

std::optional<KnownLength> GeometryOf(const std::string& name, const ElementFacts* facts,
                                      const RunReadings* run) {
  const auto in = [&](const std::map<std::string, double>& numbers,
                      bool from_rig) -> std::optional<KnownLength> {
    const auto found = numbers.find(name), u = numbers.find("u_" + name);
    if (found == numbers.end()) return std::nullopt;
    return KnownLength{found->second, u == numbers.end() ? std::nullopt : std::optional(u->second), from_rig};
  };
  if (facts != nullptr) {
    if (const auto fact = in(facts->numbers, false)) return fact;
  }
  return run == nullptr ? std::nullopt : in(run->geometry, true);
}

}  // namespace conebook::src
