#include "src/sheet.h"

#include <cmath>
#include <filesystem>
#include <set>

#include <fmt/core.h>

#include <calib/error.h>

#include "src/iso_date.h"
#include "src/nearest_name.h"

namespace conebook::src {
namespace {

using calib::InputError;
using Names = std::vector<std::string>;

void CheckKeys(const TomlNode& table, const std::string& section, const Names& known) {
  for (const auto& [key, node] : table.Entries()) {
    bool found = false;
    for (const std::string& name : known) found = found || key == name;
    if (found) continue;
    const auto nearest = NearestName(key, known);
    throw InputError(fmt::format("{}: unknown key {} in {}{}", node.Place(), key, section,
                                 nearest ? "; did you mean " + *nearest + "?" : std::string()));
  }
}

const TomlNode& RequireKind(const TomlNode& node, const std::string& name, TomlNode::Kind kind) {
  if (node.kind != kind) {
    throw InputError(
        fmt::format("{}: {}: expected {}, found {}", node.Place(), name, NameOf(kind), NameOf(node.kind)));
  }
  return node;
}

std::optional<std::string> Text(const TomlNode& table, const std::string& key) {
  const TomlNode* node = table.Find(key);
  if (node == nullptr) return std::nullopt;
  const std::string& text = RequireKind(*node, key, TomlNode::Kind::kText).text;
  if (text.empty()) throw InputError(fmt::format("{}: {} is empty", node->Place(), key));
  return text;
}

std::optional<double> Number(const TomlNode& table, const std::string& key, double lowest,
                             bool lowest_allowed) {
  const TomlNode* node = table.Find(key);
  if (node == nullptr) return std::nullopt;
  const bool good = node->IsNumber() && std::isfinite(node->number) &&
                    (node->number > lowest || (lowest_allowed && node->number == lowest));
  if (!good) {
    const std::string found =
        node->IsNumber() ? fmt::format("{}", node->number) : std::string(NameOf(node->kind));
    throw InputError(fmt::format("{}: {}: expected a number {} {:g}, found {}", node->Place(), key,
                                 lowest_allowed ? "not below" : "above", lowest, found));
  }
  return node->number;
}

double Required(const TomlNode& table, const std::string& what, const std::string& key, double lowest,
                bool lowest_allowed) {
  const auto value = Number(table, key, lowest, lowest_allowed);
  if (!value) throw InputError(fmt::format("{}: {}: {} is missing", table.Place(), what, key));
  return *value;
}

HandReading ReadReading(const TomlNode& table) {
  RequireKind(table, "readings", TomlNode::Kind::kTable);
  CheckKeys(table, "readings",
            {"t0_s", "t1_s", "pressure_bar", "flow_kg_s", "u_pressure_bar", "u_flow_kg_s"});
  HandReading reading;
  const bool timed = table.Find("t0_s") != nullptr || table.Find("t1_s") != nullptr;
  if (timed)
    reading.video = vision::TimeSpan{Required(table, "readings", "t0_s", 0.0, true),
                                     Required(table, "readings", "t1_s", 0.0, false)};
  if (timed && !(reading.video->t1_s > reading.video->t0_s)) {
    throw InputError(fmt::format("{}: readings: t1_s = {:g} must be later than t0_s = {:g}", table.Place(),
                                 reading.video->t1_s, reading.video->t0_s));
  }
  reading.pressure_bar = Required(table, "readings", "pressure_bar", 0.0, false);
  reading.u_pressure_bar = Number(table, "u_pressure_bar", 0.0, true);
  reading.flow_kg_s = Number(table, "flow_kg_s", 0.0, false);
  if (const auto u = Number(table, "u_flow_kg_s", 0.0, true); u && reading.flow_kg_s) {
    reading.flow_shares = {{"flow reading", *u / *reading.flow_kg_s, calib::Shared::kFrames}};
  }
  return reading;
}

HandReading ReadBucket(const TomlNode& table) {
  // A stopwatch by hand is good to 0.2 s, start and stop together; a kitchen scale to half a per cent.
  constexpr double kStopwatchS = 0.2, kScaleShare = 0.005;
  RequireKind(table, "bucket", TomlNode::Kind::kTable);
  CheckKeys(table, "bucket",
            {"time_s", "mass_kg", "pressure_bar", "u_time_s", "u_mass_kg", "u_pressure_bar"});
  const double time_s = Required(table, "bucket", "time_s", 0.0, false);
  const double mass_kg = Required(table, "bucket", "mass_kg", 0.0, false);
  HandReading reading;
  reading.pressure_bar = Required(table, "bucket", "pressure_bar", 0.0, false);
  reading.u_pressure_bar = Number(table, "u_pressure_bar", 0.0, true);
  const double u_time_s = Number(table, "u_time_s", 0.0, true).value_or(kStopwatchS);
  const double u_mass_kg = Number(table, "u_mass_kg", 0.0, true).value_or(kScaleShare * mass_kg);
  reading.bucket = calib::Weighing{mass_kg, u_mass_kg, time_s, u_time_s};
  return reading;
}

void ReadEntry(const TomlNode& entry, const std::optional<std::string>& day_log, SheetClip& clip) {
  RequireKind(entry, "[[clip]]", TomlNode::Kind::kTable);
  CheckKeys(entry, "[[clip]]",
            {"file", "element", "batch", "role", "mount", "log", "readings", "bucket", "sweep", "rig"});
  clip.file = Text(entry, "file");
  clip.element = Text(entry, "element").value_or("");
  if (const TomlNode* batch = entry.Find("batch"))
    clip.batch = RequireKind(*batch, "batch", TomlNode::Kind::kText).text;
  clip.log = Text(entry, "log");
  const TomlNode* readings = entry.Find("readings");
  const TomlNode* bucket = entry.Find("bucket");
  if ((clip.log ? 1 : 0) + (readings != nullptr ? 1 : 0) + (bucket != nullptr ? 1 : 0) > 1) {
    throw InputError(entry.Place() + ": [[clip]]: give one of log, readings and bucket, not several");
  }
  if (readings != nullptr) {
    RequireKind(*readings, "readings", TomlNode::Kind::kArray);
    if (readings->items.empty()) throw InputError(readings->Place() + ": readings is empty");
    for (const TomlNode& item : readings->items) {
      clip.readings.push_back(ReadReading(item));
      // One reading is of the whole steady spray; several must say when.
      if (clip.file && readings->items.size() > 1 && !clip.readings.back().video)
        throw InputError(item.Place() + ": readings: several of one clip, so each needs t0_s and t1_s");
    }
  } else if (bucket != nullptr) {
    clip.readings.push_back(ReadBucket(*bucket));
  } else if (!clip.log) {
    clip.log = day_log;
  }
  if (!clip.file && !clip.log && clip.readings.empty()) {
    throw InputError(entry.Place() +
                     ": [[clip]]: neither file nor log, readings or bucket: nothing to measure");
  }
  if (const TomlNode* sweep = entry.Find("sweep"))
    clip.sweep = RequireKind(*sweep, "sweep", TomlNode::Kind::kBool).boolean;
  if (const TomlNode* rig = entry.Find("rig"))
    clip.overrides = RequireKind(*rig, "rig", TomlNode::Kind::kTable);
  if (const TomlNode* element = entry.Find("element")) SetValue(clip.overrides, "element", "id", *element);
  if (const TomlNode* role = entry.Find("role")) SetValue(clip.overrides, "element", "role", *role);
  if (const TomlNode* mount = entry.Find("mount")) {
    if (mount->kind != TomlNode::Kind::kInteger || !(mount->number >= 1.0 && mount->number <= 1000.0))
      throw InputError(mount->Place() +
                       ": mount: expected a whole number from 1 on: the how-manyth mounting");
    clip.mount = static_cast<int>(mount->number);
    SetValue(clip.overrides, "element", "mount", *mount);
  }
  if (const TomlNode* batch = entry.Find("batch")) SetValue(clip.overrides, "element", "batch", *batch);
}

}  // namespace

Sheet ReadSheet(const std::string& path) {
  Sheet sheet;
  sheet.path = path;
  sheet.root = ReadToml(path);
  CheckKeys(sheet.root, "a test-day sheet", {"day", "clip"});
  const TomlNode* day = sheet.root.Find("day");
  if (day == nullptr)
    throw InputError(path + ": no section [day]; a test-day sheet starts with [day] name, rig, log");
  RequireKind(*day, "[day]", TomlNode::Kind::kTable);
  CheckKeys(*day, "[day]", {"name", "rig", "log", "date"});
  sheet.name = Text(*day, "name").value_or(std::filesystem::path(path).stem().string());
  if (const TomlNode* date = day->Find("date"))
    sheet.date = StatedDay(Text(*day, "date"), date->Place() + ": [day] date");
  const auto rig = Text(*day, "rig");
  if (!rig) throw InputError(path + ": [day] rig is missing; name the rig file of the day");
  sheet.rig = *rig;
  const auto log = Text(*day, "log");
  const TomlNode* clips = sheet.root.Find("clip");
  if (clips == nullptr || clips->kind != TomlNode::Kind::kArray || clips->items.empty()) {
    throw InputError(path + ": no [[clip]]; list each clip of the day with [[clip]] file, element");
  }
  for (const TomlNode& entry : clips->items) {
    SheetClip clip;
    clip.place = entry.Place();
    try {
      ReadEntry(entry, log, clip);
    } catch (const InputError& problem) {
      clip.error = problem.what();
    }
    sheet.clips.push_back(std::move(clip));
  }
  return sheet;
}

std::vector<std::string> ResultStems(const Sheet& sheet) {
  std::set<std::string> taken{"day"};
  std::vector<std::string> stems;
  for (std::size_t k = 0; k < sheet.clips.size(); ++k) {
    const SheetClip& clip = sheet.clips[k];
    namespace fs = std::filesystem;
    std::string stem;
    if (clip.file) {
      const fs::path file = fs::path(*clip.file).lexically_normal();
      stem = (file.has_filename() ? file : file.parent_path()).stem().string();
    } else if (!clip.element.empty()) {
      stem = clip.element;
    } else if (clip.log) {
      stem = fs::path(*clip.log).stem().string();
    }
    for (char& c : stem) {
      if (c == '/' || c == '\\') c = '_';
    }
    if (stem.empty() || stem.front() == '.') stem = fmt::format("clip-{}", k + 1);
    std::string unique = stem;
    for (int n = 2; !taken.insert(unique).second; ++n) unique = fmt::format("{}-{}", stem, n);
    stems.push_back(unique);
  }
  return stems;
}

}  // namespace conebook::src
