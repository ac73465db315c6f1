#include "src/archive/index.h"

#include <algorithm>
#include <cmath>
#include <optional>
#include <vector>

#include <SQLiteCpp/SQLiteCpp.h>
#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include "src/archive/point_columns.h"
#include "src/archive/reading_columns.h"
#include "src/archive/record.h"
#include "src/rig.h"
#include "src/sha256.h"

namespace conebook::src {
namespace {

using Json = nlohmann::json;

// Tables in the order in which they are written out; each with the columns that decide its order.
struct Table {
  const char* name;
  const char* columns;
  const char* key;
};

std::string PointTableColumns() {
  std::string columns = "sha256 TEXT, n INTEGER";
  for (const PointColumn& column : PointColumns()) {
    if (!column.indexed) continue;
    columns += fmt::format(", {} REAL", column.name);
    if (column.with_u) columns += fmt::format(", {} REAL", NameOfU(column));
  }
  return columns;
}

const std::vector<Table>& Tables() {
  static const std::string kPoint = PointTableColumns(), kSetup = SetupColumns(), kReading = ReadingColumns();
  static const std::vector<Table> kTables{
      {"run",
       "sha256 TEXT, origin TEXT, element TEXT, batch TEXT, kind TEXT, date TEXT, verdict TEXT, version TEXT,"
       " build TEXT, content TEXT, inputs TEXT, footage TEXT, log TEXT, points INTEGER, flags TEXT,"
       " pressure_lo_bar REAL, pressure_hi_bar REAL, flow_area_mm2 REAL, u_flow_area_mm2 REAL, cd REAL,"
       " u_cd REAL, half_angle_lo_deg REAL, half_angle_hi_deg REAL, breakup_lo_mm REAL, breakup_hi_mm REAL",
       "sha256"},
      {"point", kPoint.c_str(), "sha256, n"},
      {"setup", kSetup.c_str(), "sha256"},
      {"reading", kReading.c_str(), "sha256, n"},
      {"flag", "code TEXT, sha256 TEXT, n INTEGER, severity TEXT, point INTEGER, quantity TEXT",
       "code, sha256, n"},
      {"twice", "inputs TEXT", "inputs"},
      {"supersedes", "target TEXT, sha256 TEXT, reason TEXT", "target, sha256"},
      {"fact", "element TEXT, name TEXT, sha256 TEXT, value TEXT, source TEXT, date TEXT",
       "element, name, sha256"},
      {"stock",
       "element TEXT, date TEXT, sequence INTEGER, sha256 TEXT, state TEXT, plate TEXT, position TEXT,"
       " firings INTEGER, note TEXT",
       "element, date, sequence, sha256"},
  };
  return kTables;
}

std::string Text(const Json& json, const char* key) {
  const auto found = json.find(key);
  return found != json.end() && found->is_string() ? found->get<std::string>() : std::string();
}

std::optional<double> NumberAt(const Json& json, const Json::json_pointer& at) {
  // contains() throws nothing where a parent is null.
  if (!json.contains(at)) return std::nullopt;
  const Json& value = json.at(at);
  return value.is_number() ? std::optional(value.get<double>()) : std::nullopt;
}

void BindNumber(SQLite::Statement& statement, int index, const std::optional<double>& value) {
  if (value)
    statement.bind(index, *value);
  else
    statement.bind(index);
}

struct Extent {
  std::optional<double> lo, hi;
  void Add(const std::optional<double>& value) {
    if (!value) return;
    if (!lo || *value < *lo) lo = value;
    if (!hi || *value > *hi) hi = value;
  }
};

void IndexPoints(SQLite::Database& database, const std::string& key, const Json& points) {
  std::string sql = "INSERT INTO point VALUES(?, ?";
  for (const PointColumn& column : PointColumns()) {
    if (column.indexed) sql += column.with_u ? ", ?, ?" : ", ?";
  }
  SQLite::Statement insert(database, sql + ")");
  int n = 0;
  for (const Json& point : points) {
    insert.reset();
    insert.bind(1, key);
    insert.bind(2, ++n);
    int at = 3;
    for (const PointColumn& column : PointColumns()) {
      if (!column.indexed) continue;
      const Json::json_pointer pointer(column.pointer);
      BindNumber(insert, at++, column.with_u ? NumberAt(point, pointer / "value") : NumberAt(point, pointer));
      if (column.with_u) BindNumber(insert, at++, NumberAt(point, pointer / "u"));
    }
    insert.exec();
  }
}

std::string MarksFor(const std::string& columns) {
  std::string marks = "?";
  for (const char c : columns)
    if (c == ',') marks += ", ?";
  return marks;
}

// Whose errors a run shares: the hash of the calibration files under these keys and of what the rig says in
// these sections; of the rig file where it says nothing. Files are told apart where the record keeps them;
// else all of them count.
std::string SharedBy(const Json& record, const std::vector<CalibrationKey>& keys,
                     const std::vector<const char*>& sections) {
  Json by = Json::object();
  for (const char* section : sections) {
    const Json::json_pointer at(std::string("/settings/rig/") + section);
    if (!record.contains(at) || !record.at(at).is_object()) continue;
    for (const auto& [name, value] : record.at(at).items()) {
      // A zero is read anew each day.
      if (name.find("zero") == std::string::npos) by[std::string(section) + "." + name] = value;
    }
  }
  if (const auto kept = record.find("evidence"); kept != record.end() && kept->is_array()) {
    for (const Json& item : *kept) {
      for (const CalibrationKey& key : keys)
        if (Text(item, "name") == std::string(key.kept_as) + ".gz") by[key.kept_as] = Text(item, "sha256");
    }
  } else if (const Json::json_pointer files("/inputs/calibrations"); record.contains(files)) {
    for (const Json& file : record.at(files)) by["file " + Text(file, "sha256")] = true;
  }
  if (by.empty() || sections.empty()) {
    const Json::json_pointer rig("/inputs/rig_sha256");
    by["rig"] = record.contains(rig) ? record.at(rig) : Json("imported");
  }
  return TextSha256(by.dump(-1, ' ', false, Json::error_handler_t::replace)).substr(0, 16);
}

void IndexSetup(SQLite::Database& database, const std::string& key, const Json& record) {
  SQLite::Statement insert(database, "INSERT INTO setup VALUES(" + MarksFor(SetupColumns()) + ")");
  const Json none = Json::object();
  const auto object_at = [&](const char* pointer) -> const Json& {
    const Json::json_pointer at(pointer);
    return record.contains(at) && record.at(at).is_object() ? record.at(at) : none;
  };
  const Json &element = object_at("/settings/rig/element"), &stand = object_at("/settings/rig/stand");
  const Json& points = record.contains("points") && record["points"].is_array() ? record["points"] : none;
  std::string liquid = Text(stand, "liquid");
  if (liquid.empty() && !points.empty()) liquid = Text(points.front(), "liquid");
  if (liquid.empty()) liquid = stand.contains("density_kg_m3") ? "as the rig states it" : "water (assumed)";
  const auto mount = element.find("mount");
  int at = 1;
  for (const std::string& value :
       {key, Text(record, "role"), mount == element.end() ? std::string() : mount->dump(),
        SharedBy(record, {kLensKey, kScaleKey, kConeChecksKey}, {}),
        SharedBy(record, {kMeterKey, kPressureKey, kLineLossKey}, {"meter", "pressure"}), liquid,
        Text(object_at("/footage"), "illumination"), Text(record, "lean_against"),
        Text(element, "measured_by")}) {
    insert.bind(at++, value);
  }
  const auto number = [&](const char* pointer) { return NumberAt(record, Json::json_pointer(pointer)); };
  std::optional<double> log_t0;
  for (const Json& point : points)
    if (!log_t0) log_t0 = NumberAt(point, Json::json_pointer("/log_t0_s"));
  for (const auto& value : {number("/settings/rig/view/rotation_deg"), number("/stations_mm/0"),
                            number("/stations_mm/1"), log_t0})
    BindNumber(insert, at++, value);
  for (const std::string& name : SetupNumbers()) {
    const bool exit = name == "exit_diameter_mm" || name == "u_exit_diameter_mm";
    BindNumber(
        insert, at++,
        NumberAt(record, Json::json_pointer(exit ? "/settings/rig/nozzle" : "/settings/rig/element") / name));
  }
  insert.exec();
}

// u of the scatter of n values; the frames of one swing count as one.
std::optional<double> UOfScatter(const Json& point) {
  const auto number = [&](const char* pointer) { return NumberAt(point, Json::json_pointer(pointer)); };
  const auto scatter = number("/steadiness/scatter_deg"), frames = number("/frames"),
             correlation = number("/steadiness/correlation_time_s"), from = number("/t0_s"),
             to = number("/t1_s");
  if (!scatter || !frames) return std::nullopt;
  double independent = *frames;
  if (correlation && from && to && *correlation > 0.0)
    independent = std::min(independent, (*to - *from) / (2.0 * *correlation));
  return *scatter / std::sqrt(2.0 * std::max(1.0, independent - 1.0));
}

void IndexReadings(SQLite::Database& database, const std::string& key, const Json& points) {
  SQLite::Statement insert(database, "INSERT INTO reading VALUES(" + MarksFor(ReadingColumns()) + ")");
  int n = 0;
  for (const Json& point : points) {
    insert.reset();
    int at = 1;
    insert.bind(at++, key);
    insert.bind(at++, ++n);
    insert.bind(at++, Text(point, "direction"));
    const auto cd = point.find("cd");
    insert.bind(at++, cd != point.end() && cd->is_object() ? Text(*cd, "area") : std::string());
    const auto number = [&](const char* pointer) { return NumberAt(point, Json::json_pointer(pointer)); };
    for (const auto& value :
         {number("/cd/area_mm2/value"), number("/pulsation/u"), number("/grain/index"), number("/grain/u"),
          number("/steadiness/scatter_deg"), UOfScatter(point), number("/d32_um/cutoff_um")})
      BindNumber(insert, at++, value);
    for (const SharedQuantity& quantity : SharedQuantities()) {
      std::array<double, kAllShared.size()> squares{};
      const Json::json_pointer place(quantity.pointer);
      const auto u = NumberAt(point, place / "u");
      if (point.contains(place / "budget")) {
        for (const Json& part : point.at(place / "budget")) {
          for (std::size_t i = 0; i < kAllShared.size(); ++i) {
            if (Text(part, "shared") == calib::NameOf(kAllShared[i]))
              squares[i] += std::pow(part.value("u", 0.0), 2);
          }
        }
      } else if (u) {
        squares[1] = *u * *u;
      }
      for (const double square : squares)
        BindNumber(insert, at++, u ? std::optional(std::sqrt(square)) : std::nullopt);
    }
    insert.exec();
  }
}

// Codes of warnings and refusals, each once, in the record's own order: the rated pressure comes first.
std::string IndexFlags(SQLite::Database& database, const std::string& key, const Json& flags) {
  SQLite::Statement insert(database, "INSERT INTO flag VALUES(?, ?, ?, ?, ?, ?)");
  std::string codes;
  int n = 0;
  for (const Json& flag : flags) {
    const std::string code = Text(flag, "code"), severity = Text(flag, "severity");
    insert.reset();
    insert.bind(1, code);
    insert.bind(2, key);
    insert.bind(3, ++n);
    insert.bind(4, severity);
    if (const auto point = NumberAt(flag, Json::json_pointer("/point")))
      insert.bind(5, static_cast<int>(*point) + 1);
    else
      insert.bind(5);
    insert.bind(6, Text(flag, "quantity"));
    insert.exec();
    if (severity != "info" && (" " + codes + " ").find(" " + code + " ") == std::string::npos)
      codes += (codes.empty() ? "" : " ") + code;
  }
  return codes;
}

void IndexRun(SQLite::Database& database, const std::string& key, const std::string& text, const Json& json,
              bool imported) {
  const Json none = Json::array();
  const Json& points = json.contains("points") ? json["points"] : none;
  const Json& flags = json.contains("flags") ? json["flags"] : none;
  IndexPoints(database, key, points);
  IndexSetup(database, key, json);
  IndexReadings(database, key, points);
  const std::string codes = IndexFlags(database, key, flags);
  Extent pressure, angle, breakup;
  for (const Json& point : points) {
    pressure.Add(NumberAt(point, Json::json_pointer("/pressure_bar/value")));
    angle.Add(NumberAt(point, Json::json_pointer("/half_angle_deg/mean/value")));
    breakup.Add(NumberAt(point, Json::json_pointer("/breakup_mm/value")));
  }
  SQLite::Statement insert(database,
                           "INSERT INTO run VALUES(?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?)");
  const Json program = json.value("program", Json::object());
  const auto hash_at = [&](const char* pointer) {
    const Json::json_pointer at(pointer);
    return json.contains(at) && json.at(at).is_string() ? json.at(at).get<std::string>() : std::string();
  };
  int at = 1;
  for (const std::string& value :
       {key, std::string(imported ? "imported" : "measured"), Text(json, "element"), Text(json, "batch"),
        Text(json, "kind"), Text(json, "date"), imported ? "imported" : Text(json, "verdict"),
        Text(program, "version"), Text(program, "build"), ContentKey(text), InputsKey(text),
        hash_at("/footage/sha256"), hash_at("/inputs/log/sha256")}) {
    insert.bind(at++, value);
  }
  insert.bind(at++, static_cast<int>(points.size()));
  insert.bind(at++, codes);
  // An imported set has no law of its own: its first point stands for it.
  const std::string law = imported ? "/points/0" : "/flow_law";
  for (const auto& value :
       {pressure.lo, pressure.hi, NumberAt(json, Json::json_pointer(law + "/flow_area_mm2/value")),
        NumberAt(json, Json::json_pointer(law + "/flow_area_mm2/u")),
        NumberAt(json, Json::json_pointer(law + "/cd/value")),
        NumberAt(json, Json::json_pointer(law + "/cd/u")), angle.lo, angle.hi, breakup.lo, breakup.hi}) {
    BindNumber(insert, at++, value);
  }
  insert.exec();
  SQLite::Statement twice(
      database,
      "INSERT OR IGNORE INTO twice SELECT inputs FROM run WHERE inputs = ? AND inputs <> '' "
      "GROUP BY inputs HAVING count(*) > 1");
  twice.bind(1, InputsKey(text));
  twice.exec();
}

void IndexElement(SQLite::Database& database, const std::string& key, const Json& json) {
  SQLite::Statement insert(database, "INSERT INTO fact VALUES(?, ?, ?, ?, ?, ?)");
  const Json source = json.value("source", Json::object());
  const Json facts = json.value("facts", Json::object());
  for (const auto& [name, value] : facts.items()) {
    insert.reset();
    insert.bind(1, Text(json, "element"));
    insert.bind(2, name);
    insert.bind(3, key);
    insert.bind(4, value.is_string() ? value.get<std::string>() : value.dump());
    insert.bind(5, Text(source, "name"));
    insert.bind(6, Text(json, "date"));
    insert.exec();
  }
}

void IndexStock(SQLite::Database& database, const std::string& key, const Json& json) {
  SQLite::Statement insert(database, "INSERT INTO stock VALUES(?, ?, ?, ?, ?, ?, ?, ?, ?)");
  insert.bind(1, Text(json, "element"));
  insert.bind(2, Text(json, "date"));
  insert.bind(3, json.value("sequence", 0));
  insert.bind(4, key);
  insert.bind(5, Text(json, "state"));
  insert.bind(6, Text(json, "plate"));
  insert.bind(7, Text(json, "position"));
  BindNumber(insert, 8, NumberAt(json, Json::json_pointer("/firings")));
  insert.bind(9, Text(json, "note"));
  insert.exec();
}

}  // namespace

void MakeIndexTables(SQLite::Database& database) {
  for (const Table& table : Tables()) {
    database.exec(fmt::format("CREATE TABLE IF NOT EXISTS {}({}, PRIMARY KEY({})) WITHOUT ROWID", table.name,
                              table.columns, table.key));
  }
  for (const char* column : {"element", "batch", "date", "footage", "content", "inputs"})
    database.exec(fmt::format("CREATE INDEX IF NOT EXISTS run_{0} ON run({0})", column));
}

namespace {

void IndexParsed(SQLite::Database& database, const std::string& key, const std::string& text,
                 const Json& json) {
  if (const auto list = json.find("supersedes"); list != json.end() && list->is_array()) {
    SQLite::Statement insert(database, "INSERT OR IGNORE INTO supersedes VALUES(?, ?, ?)");
    for (const Json& item : *list) {
      insert.reset();
      insert.bind(1, Text(item, "record"));
      insert.bind(2, key);
      insert.bind(3, Text(item, "reason"));
      insert.exec();
    }
  }
  const std::string schema = Text(json, "schema");
  if (schema == kRunSchema || schema == kImportedSchema)
    IndexRun(database, key, text, json, schema == kImportedSchema);
  else if (schema == kElementSchema)
    IndexElement(database, key, json);
  else if (schema == kStockSchema)
    IndexStock(database, key, json);
}

}  // namespace

void IndexRecord(SQLite::Database& database, const std::string& key, const std::string& text) {
  const Json json = Json::parse(text, nullptr, false);
  if (!json.is_object()) return;
  try {
    IndexParsed(database, key, text, json);
  } catch (const Json::exception&) {
    // A record whose parts have the wrong type was not written by us; verify reports it by its key.
  }
}

void RebuildIndexTables(SQLite::Database& database) {
  for (const Table& table : Tables()) database.exec(fmt::format("DELETE FROM {}", table.name));
  SQLite::Statement all(database, "SELECT sha256, json FROM record ORDER BY sha256");
  while (all.executeStep()) IndexRecord(database, all.getColumn(0).getString(), all.getColumn(1).getString());
}

std::string IndexText(SQLite::Database& database) {
  std::string text;
  for (const Table& table : Tables()) {
    text += fmt::format("{}({})\n", table.name, table.columns);
    SQLite::Statement rows(database, fmt::format("SELECT * FROM {} ORDER BY {}", table.name, table.key));
    while (rows.executeStep()) {
      for (int i = 0; i < rows.getColumnCount(); ++i) {
        const SQLite::Column cell = rows.getColumn(i);
        if (i > 0) text += '\t';
        if (cell.isFloat())
          text += fmt::format("{}", cell.getDouble());
        else if (!cell.isNull())
          text += cell.getString();
      }
      text += '\n';
    }
  }
  return text;
}

}  // namespace conebook::src
