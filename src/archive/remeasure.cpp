#include "src/archive/remeasure.h"

#include <cmath>
#include <filesystem>
#include <set>

#include <fmt/format.h>
#include <nlohmann/json.hpp>
#include <unistd.h>

#include <calib/error.h>

#include "src/archive/record.h"
#include "src/circuit_keys.h"
#include "src/match_json.h"
#include "src/measure.h"
#include "src/output_file.h"
#include "src/plate_check.h"
#include "src/result_json.h"
#include "src/sha256.h"

namespace conebook::src {
namespace {

namespace fs = std::filesystem;
using Json = nlohmann::json;

// The kept files under their own names, gone at the end.
class KeptFiles {
 public:
  KeptFiles() {
    std::string name = (fs::temp_directory_path() / "conebook-remeasure-XXXXXX").string();
    if (::mkdtemp(name.data()) == nullptr)
      throw calib::InputError(name + ": could not be made; is the disk full?");
    folder_ = name;
  }
  ~KeptFiles() {
    std::error_code error;
    fs::remove_all(folder_, error);
  }
  KeptFiles(const KeptFiles&) = delete;
  KeptFiles& operator=(const KeptFiles&) = delete;

  std::string Write(const char* name, const std::string& bytes) const {
    std::string path = (folder_ / name).string();
    WriteWhole(path, bytes);
    return path;
  }

 private:
  fs::path folder_;
};

TomlNode ToToml(const Json& json) {
  TomlNode node;
  if (json.is_object()) {
    node.kind = TomlNode::Kind::kTable;
    for (const auto& [key, value] : json.items()) {  // sorted, as a table's keys are
      node.keys.push_back(key);
      node.items.push_back(ToToml(value));
    }
  } else if (json.is_array()) {
    node.kind = TomlNode::Kind::kArray;
    for (const Json& item : json) node.items.push_back(ToToml(item));
  } else if (json.is_string()) {
    node.kind = TomlNode::Kind::kText;
    node.text = json.get<std::string>();
  } else if (json.is_boolean()) {
    node.kind = TomlNode::Kind::kBool;
    node.boolean = json.get<bool>();
  } else {
    node.number = json.get<double>();
    const bool whole = std::floor(node.number) == node.number;
    node.kind = whole ? TomlNode::Kind::kInteger : TomlNode::Kind::kNumber;
  }
  return node;
}

std::vector<HandReading> ReadingsOf(const Json& settings) {
  std::vector<HandReading> readings;
  if (!settings.contains("readings")) return readings;
  const auto number = [](const Json& from, const char* key) {
    return from.contains(key) && from[key].is_number() ? std::optional(from[key].get<double>())
                                                       : std::nullopt;
  };
  for (const Json& from : settings["readings"]) {
    HandReading reading;
    if (const auto t0 = number(from, "t0_s"))
      reading.video = vision::TimeSpan{*t0, from.at("t1_s").get<double>()};
    reading.pressure_bar = from.at("pressure_bar").get<double>();
    reading.u_pressure_bar = number(from, "u_pressure_bar");
    reading.flow_kg_s = number(from, "flow_kg_s");
    if (const auto u = number(from, "u_flow_share"))  // as earlier records have it
      reading.flow_shares = {{"flow reading", *u, calib::Shared::kFrames}};
    if (from.contains("flow_shares")) {
      for (const Json& share : from["flow_shares"])
        reading.flow_shares.push_back(
            {share.at("source").get<std::string>(), share.at("u").get<double>(), calib::Shared::kFrames});
    }
    if (from.contains("bucket")) {
      const Json& bucket = from["bucket"];
      reading.bucket =
          calib::Weighing{bucket.at("mass_kg").get<double>(), bucket.at("u_mass_kg").get<double>(),
                          bucket.at("time_s").get<double>(), bucket.at("u_time_s").get<double>()};
    }
    readings.push_back(reading);
  }
  return readings;
}

class Comparer {
 public:
  explicit Comparer(double allowed_u) : allowed_u_(allowed_u) {}

  void Compare(const std::string& where, const Json& a, const Json& b) {
    if (a.is_object() && b.is_object()) {
      if (a.contains("value") && b.contains("value")) return CompareQuantities(where, a, b);
      std::set<std::string> keys;
      for (const auto& [key, value] : a.items()) keys.insert(key);
      for (const auto& [key, value] : b.items()) keys.insert(key);
      for (const std::string& key : keys) {
        if (key == "path" || key == "program" || key == "evidence" || key == "supersedes") continue;
        if (!a.contains(key) || !b.contains(key)) {
          // A later program may say more; that is no difference of measurement.
          if (a.contains(key)) Add("{}/{}: recorded, not measured again", where, key);
          continue;
        }
        Compare(fmt::format("{}/{}", where, key), a[key], b[key]);
      }
    } else if (a.is_array() && b.is_array()) {
      if (a.size() != b.size())
        return Add("{}: {} entries recorded, {} measured again", where, a.size(), b.size());
      for (std::size_t i = 0; i < a.size(); ++i) Compare(fmt::format("{}/{}", where, i), a[i], b[i]);
    } else if (a.is_number() && b.is_number()) {
      // Times, stations and counts, which have no u of their own here: to a thousandth.
      const double x = a.get<double>(), y = b.get<double>();
      if (std::abs(x - y) > 1e-3 * std::max(1.0, std::abs(x)))
        Add("{}: {} recorded, {} measured again", where, x, y);
    } else if (a != b && !IsWords(where)) {
      Add("{}: {} recorded, {} measured again", where, a.dump(), b.dump());
    }
  }

  Comparison result;

 private:
  // Sentences hold figures of their own; the codes and the quantities are what is compared.
  static bool IsWords(const std::string& where) {
    return where.ends_with("/message") || where.ends_with("/advice");
  }

  template <typename... Args>
  void Add(fmt::format_string<Args...> format, Args&&... args) {
    result.differences.push_back(fmt::format(format, std::forward<Args>(args)...));
  }

  void CompareQuantities(const std::string& where, const Json& a, const Json& b) {
    const double x = a.at("value").get<double>(), y = b.at("value").get<double>();
    const double u = a.at("u").get<double>(), v = b.at("u").get<double>();
    const double in_u = u > 0.0 ? std::abs(x - y) / u : x == y ? 0.0 : INFINITY;
    result.largest_in_u = std::max(result.largest_in_u, in_u);
    if (in_u > allowed_u_)
      Add("{}: {:.6g} recorded, {:.6g} measured again: {:.2g} u apart", where, x, y, in_u);
    if (std::abs(u - v) > allowed_u_ * u) Add("{}: u {:.3g} recorded, {:.3g} measured again", where, u, v);
  }

  double allowed_u_;
};

}  // namespace

std::optional<std::string> FindFootage(const std::string& record_path, const std::string& sha256,
                                       const std::vector<std::string>& folders) {
  std::vector<fs::path> candidates{record_path};
  for (const std::string& folder : folders) {
    candidates.push_back(fs::path(folder) / record_path);
    candidates.push_back(fs::path(folder) / fs::path(record_path).filename());
  }
  // Then anything of that name below the folders: a year's footage lies in folders of its own.
  for (const std::string& folder : folders) {
    std::error_code error;
    const auto skip = fs::directory_options::skip_permission_denied;
    for (fs::recursive_directory_iterator at(folder, skip, error), end; at != end && !error;
         at.increment(error)) {
      if (at->path().filename() == fs::path(record_path).filename()) candidates.push_back(at->path());
    }
  }
  std::set<fs::path> seen;
  for (const fs::path& candidate : candidates) {
    std::error_code error;
    if (!fs::exists(candidate, error) || !seen.insert(fs::weakly_canonical(candidate, error)).second)
      continue;
    try {
      if (FootageSha256(candidate.string()) == sha256) return candidate.string();
    } catch (const calib::InputError&) {
      continue;  // not readable: not found
    }
  }
  return std::nullopt;
}

std::string Remeasure(const std::string& record_json, const EvidenceReader& evidence,
                      const std::optional<std::string>& footage, const vision::ReadOptions& options) {
  const Json json = Json::parse(record_json);
  const KeptFiles files;
  const auto rig_file = EvidenceText(record_json, "rig_file.toml", evidence);
  if (!rig_file) throw calib::InputError("the record keeps no rig file, so it cannot be measured again");
  const std::string rig_path = files.Write("rig_file.toml", *rig_file);
  // The settings hold the rig as it was used, with whatever a test-day sheet put in place of the file's own.
  Json overrides = json.at("settings").at("rig");
  const auto put_back = [&](const CalibrationKey& file) {
    if (const auto text = EvidenceText(record_json, file.kept_as, evidence)) {
      files.Write(file.kept_as, *text);
      overrides[file.section][file.key] = file.kept_as;
    }
  };
  for (const CalibrationKey& file : kCalibrationKeys) put_back(file);
  put_back(kMatchKey);
  if (overrides.contains("circuit")) {
    for (std::size_t c = 0; c < overrides["circuit"].size(); ++c) {
      for (const CalibrationKey& key : kCalibrationKeys) {
        const std::string circuit_key = CircuitKeyOf(key.section, key.key), name = KeptAsOfCircuit(key, c);
        if (circuit_key.empty()) continue;
        if (const auto text = EvidenceText(record_json, name, evidence)) {
          files.Write(name.c_str(), *text);
          overrides["circuit"][c][circuit_key] = name;
        }
      }
    }
  }
  MeasureInput input;
  TomlNode node = ToToml(overrides);
  // Paths of the overrides are relative to the rig file.
  const std::function<void(TomlNode&)> place = [&](TomlNode& at) {
    at.file = std::make_shared<const std::string>(rig_path);
    for (TomlNode& item : at.items) place(item);
  };
  place(node);
  input.rig = ReadRig(rig_path, &node);
  input.rig_name = json.value("/inputs/rig/path"_json_pointer, std::string("rig.toml"));
  if (const auto log = EvidenceText(record_json, "stand_log.csv", evidence)) {
    input.log_path = files.Write("stand_log.csv", *log);
    input.log_name = json.value("/inputs/log/path"_json_pointer, std::string("log.csv"));
  }
  input.readings = ReadingsOf(json.at("settings"));
  input.sweep = json.at("settings").value("sweep", false);
  if (json.value("date_from", Json()) == "stated") input.date = json.at("date").get<std::string>();
  if (footage) {
    input.clip_path = footage;
    input.clip_name = json.value("/footage/path"_json_pointer, std::string("clip"));
  }
  input.reading = options;
  Run run = Measure(input);
  // Against the very flow areas that the record was held against.
  const Run recorded = RunFromRecord(record_json, [](const std::string&) { return std::nullopt; });
  AddPlateCheck(input.rig, recorded.plate ? std::optional(recorded.plate->elements) : std::nullopt, run);
  return ResultJson(run);
}

Comparison CompareResults(const std::string& recorded_json, const std::string& again_json, double allowed_u) {
  const Json recorded = Json::parse(recorded_json), again = Json::parse(again_json);
  Comparer comparer(allowed_u);
  comparer.result.same_bytes = ContentKey(recorded_json) == ContentKey(again_json);
  comparer.result.same_build = recorded.value("program", Json()) == again.value("program", Json());
  if (!comparer.result.same_bytes) {
    comparer.Compare("", recorded, again);
    if (comparer.result.same_build && comparer.result.differences.empty())
      comparer.result.differences.push_back(fmt::format(
          "same build, yet not the same bytes (largest difference {:.2g} u)", comparer.result.largest_in_u));
  }
  return comparer.result;
}

}  // namespace conebook::src
