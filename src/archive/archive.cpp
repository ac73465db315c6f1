#include "src/archive/archive.h"

#include <algorithm>
#include <filesystem>
#include <set>

#include <SQLiteCpp/SQLiteCpp.h>
#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include <calib/error.h>

#include "src/archive/database.h"
#include "src/archive/index.h"
#include "src/sha256.h"

namespace conebook::src {
namespace {

using Json = nlohmann::json;

constexpr std::size_t kShortKey = 12;

std::vector<std::string> Column(SQLite::Statement& statement) {
  std::vector<std::string> values;
  while (statement.executeStep()) values.push_back(statement.getColumn(0).getString());
  return values;
}

std::vector<std::string> KeysWhere(SQLite::Database& database, const std::string& column,
                                   const std::string& value) {
  SQLite::Statement statement(
      database, fmt::format("SELECT sha256 FROM run WHERE {} = ? AND NOT EXISTS (SELECT 1 FROM supersedes s "
                            "WHERE s.target = run.sha256) ORDER BY sha256",
                            column));
  statement.bind(1, value);
  return Column(statement);
}

void AddEvidence(SQLite::Database& database, const std::string& hash, const std::string& bytes) {
  SQLite::Statement insert(database, "INSERT OR IGNORE INTO evidence(sha256, bytes) VALUES(?, ?)");
  insert.bind(1, hash);
  insert.bind(2, bytes.data(), static_cast<int>(bytes.size()));
  insert.exec();
}

bool AddRecord(SQLite::Database& database, const std::string& key, const std::string& json) {
  SQLite::Statement insert(database, "INSERT OR IGNORE INTO record(sha256, json) VALUES(?, ?)");
  insert.bind(1, key);
  insert.bind(2, json);
  if (insert.exec() == 0) return false;
  IndexRecord(database, key, json);
  return true;
}

std::vector<Superseding> SupersedesOf(const Json& json) {
  std::vector<Superseding> list;
  if (const auto found = json.find("supersedes"); found != json.end()) {
    for (const Json& item : *found)
      list.push_back({item.at("record").get<std::string>(), item.at("reason").get<std::string>()});
  }
  return list;
}

// The first key of a run with the same content; the same run need not be stored twice, whatever it replaced.
std::optional<std::string> SameContent(SQLite::Database& database, const std::string& content) {
  SQLite::Statement statement(database, "SELECT sha256 FROM run WHERE content = ? ORDER BY sha256 LIMIT 1");
  statement.bind(1, content);
  if (!statement.executeStep()) return std::nullopt;
  return statement.getColumn(0).getString();
}

Stored StoreOne(SQLite::Database& database, const Record& given) {
  Stored stored;
  Record record = MakeRecord(given.json, given.evidence, SupersedesOf(Json::parse(given.json)));
  const Json json = Json::parse(record.json);
  const bool run = json.value("schema", "") == kRunSchema;
  if (run) {
    // An explicit correction is stored even where only what it replaces is new.
    if (const auto same = SameContent(database, ContentKey(record.json));
        same && !json.contains("supersedes")) {
      stored.key = *same;
      stored.already_on_record = true;
      return stored;
    }
    std::vector<Superseding> supersedes = SupersedesOf(json);
    for (const std::string& earlier : KeysWhere(database, "inputs", InputsKey(record.json))) {
      const bool named = std::any_of(supersedes.begin(), supersedes.end(),
                                     [&](const Superseding& item) { return item.record == earlier; });
      if (named || earlier == RecordKey(record.json)) continue;
      const std::string build = json.value("/program/build"_json_pointer, std::string("unknown"));
      supersedes.push_back({earlier, "the same clip and settings put on record again, by build " + build});
      stored.superseded.push_back(earlier);
    }
    record = MakeRecord(record.json, std::move(record.evidence), supersedes);
  }
  stored.key = RecordKey(record.json);
  for (const Evidence& item : record.evidence) AddEvidence(database, TextSha256(item.bytes), item.bytes);
  stored.already_on_record = !AddRecord(database, stored.key, record.json);
  if (const std::string footage = json.value("/footage/sha256"_json_pointer, std::string());
      run && !footage.empty()) {
    for (const std::string& other : KeysWhere(database, "footage", footage)) {
      if (other != stored.key) stored.same_footage.push_back(other);
    }
  }
  return stored;
}

std::string Short(const std::string& key) {
  return key.substr(0, kShortKey);
}

// Sound: nothing. Otherwise what is wrong with the record.
std::string ProblemOf(const std::string& key, const std::string& text) {
  const Json json = Json::parse(text, nullptr, false);
  if (!json.is_object()) return fmt::format("record {} is not JSON", Short(key));
  if (RecordKey(text) != key)
    return fmt::format("record {} does not match its key: it was changed", Short(key));
  return {};
}

std::vector<std::pair<std::string, std::string>> EvidenceListed(const std::string& text) {
  std::vector<std::pair<std::string, std::string>> list;
  const Json json = Json::parse(text, nullptr, false);
  if (!json.is_object() || !json.contains("evidence")) return list;
  for (const Json& item : json["evidence"])
    list.emplace_back(item.at("name").get<std::string>(), item.at("sha256").get<std::string>());
  return list;
}

std::string Blob(const SQLite::Column& column) {
  return {static_cast<const char*>(column.getBlob()), static_cast<std::size_t>(column.getBytes())};
}

std::optional<std::string> EvidenceIn(SQLite::Database& database, const std::string& hash) {
  SQLite::Statement statement(database, "SELECT bytes FROM evidence WHERE sha256 = ?");
  statement.bind(1, hash);
  if (!statement.executeStep()) return std::nullopt;
  return Blob(statement.getColumn(0));
}

}  // namespace

void CheckArchive(const std::string& path) {
  MustBeWritable(path, IsArchive(path));
}

std::vector<Stored> StoreRecords(const std::string& path, const std::vector<Record>& records) {
  const auto database = OpenDatabase(path, Access::kWrite);
  std::vector<Stored> all;
  InTransaction(path, *database, [&] {
    for (const Record& record : records) all.push_back(StoreOne(*database, record));
  });
  return all;
}

Stored StoreRecord(const std::string& path, const Record& record) {
  return StoreRecords(path, {record}).front();
}

std::string FindKey(const std::string& path, const std::string& prefix) {
  const bool hex = prefix.find_first_not_of("0123456789abcdef") == std::string::npos;
  if (!hex || prefix.size() < 4)
    throw calib::InputError(fmt::format(
        "{}: expected the first four digits or more of a record's key, 0-9 and a-f (conebook list "
        "shows them)",
        prefix));
  const auto database = OpenDatabase(path, Access::kRead);
  std::vector<std::string> keys;
  Reading(path, [&] {
    SQLite::Statement statement(*database,
                                "SELECT sha256 FROM record WHERE sha256 >= ? AND sha256 < ? || 'g' LIMIT 3");
    statement.bind(1, prefix);
    statement.bind(2, prefix);
    keys = Column(statement);
  });
  if (keys.empty())
    throw calib::InputError(fmt::format("no record begins with {} in {} (see conebook list)", prefix, path));
  if (keys.size() > 1)
    throw calib::InputError(
        fmt::format("{} is the beginning of several records in {}: {}, {} ...; give more "
                    "digits",
                    prefix, path, Short(keys[0]), Short(keys[1])));
  return keys.front();
}

std::optional<std::string> RunOnRecord(const std::string& path, const std::string& inputs_key,
                                       const std::string& build) {
  std::error_code error;
  if (inputs_key.empty() || !std::filesystem::exists(path, error)) return std::nullopt;
  const auto database = OpenDatabase(path, Access::kRead);
  std::optional<std::string> found;
  Reading(path, [&] {
    for (const std::string& key : KeysWhere(*database, "inputs", inputs_key)) {
      SQLite::Statement statement(*database, "SELECT 1 FROM run WHERE sha256 = ? AND build = ?");
      statement.bind(1, key);
      statement.bind(2, build);
      if (statement.executeStep()) found = key;
    }
  });
  return found;
}

Record ReadRecord(const std::string& path, const std::string& key, bool with_evidence) {
  const auto database = OpenDatabase(path, Access::kRead);
  Record record;
  Reading(path, [&] {
    SQLite::Statement statement(*database, "SELECT json FROM record WHERE sha256 = ?");
    statement.bind(1, key);
    if (!statement.executeStep()) throw std::out_of_range("no record " + key);
    record.json = statement.getColumn(0).getString();
    if (!with_evidence) return;
    for (const auto& [name, hash] : EvidenceListed(record.json))
      record.evidence.push_back({name, EvidenceIn(*database, hash).value_or("")});
  });
  return record;
}

std::vector<std::string> ReadRecords(const std::string& path, const std::vector<std::string>& keys) {
  const auto database = OpenDatabase(path, Access::kRead);
  std::vector<std::string> texts;
  Reading(path, [&] {
    SQLite::Statement statement(*database, "SELECT json FROM record WHERE sha256 = ?");
    for (const std::string& key : keys) {
      statement.reset();
      statement.bind(1, key);
      if (!statement.executeStep()) throw std::out_of_range("no record " + key);
      texts.push_back(statement.getColumn(0).getString());
    }
  });
  return texts;
}

std::function<std::optional<std::string>(const std::string&)> EvidenceOf(const std::string& path) {
  std::shared_ptr<SQLite::Database> database = OpenDatabase(path, Access::kRead);
  return [database, path](const std::string& hash) {
    std::optional<std::string> bytes;
    Reading(path, [&] { bytes = EvidenceIn(*database, hash); });
    return bytes;
  };
}

Merged MergeArchive(const std::string& from, const std::string& path) {
  const auto source = OpenDatabase(from, Access::kRead);
  const auto database = OpenDatabase(path, Access::kWrite);
  Merged merged;
  InTransaction(path, *database, [&] {
    SQLite::Statement records(*source, "SELECT sha256, json FROM record ORDER BY sha256");
    while (records.executeStep()) {
      const std::string key = records.getColumn(0).getString(), json = records.getColumn(1).getString();
      if (const std::string problem = ProblemOf(key, json); !problem.empty()) {
        merged.damaged.push_back(problem);
        continue;
      }
      for (const auto& [name, hash] : EvidenceListed(json)) {
        const auto bytes = EvidenceIn(*source, hash);
        if (!bytes || TextSha256(*bytes) != hash)
          merged.damaged.push_back(
              fmt::format("record {}: its {} is {}", Short(key), name, bytes ? "damaged" : "missing"));
        else
          AddEvidence(*database, hash, *bytes);
      }
      AddRecord(*database, key, json) ? ++merged.added : ++merged.already_on_record;
    }
  });
  return merged;
}

void RebuildIndex(const std::string& path) {
  const auto database = OpenDatabase(path, Access::kWrite);
  InTransaction(path, *database, [&] {
    MakeIndexTables(*database);
    RebuildIndexTables(*database);
  });
}

Integrity CheckIntegrity(const std::string& path, const std::function<void(double)>& on_progress) {
  const auto database = OpenDatabase(path, Access::kRead);
  Integrity found;
  Reading(path, [&] {
    // One state of the archive, whatever others store meanwhile.
    SQLite::Transaction snapshot(*database);
    SQLite::Statement own(*database, "PRAGMA integrity_check(20)");
    while (own.executeStep()) {
      const std::string text = own.getColumn(0).getString();
      if (text != "ok") found.problems.push_back("the file is damaged: " + text);
    }
    const int total = std::max(1, database->execAndGet("SELECT count(*) FROM record").getInt());
    SQLite::Database fresh(":memory:", SQLite::OPEN_READWRITE | SQLite::OPEN_CREATE);
    MakeIndexTables(fresh);
    SQLite::Transaction filling(fresh);
    std::set<std::string> keys, needed, targets;
    SQLite::Statement records(*database, "SELECT sha256, json FROM record ORDER BY sha256");
    while (records.executeStep()) {
      const std::string key = records.getColumn(0).getString(), json = records.getColumn(1).getString();
      IndexRecord(fresh, key, json);
      keys.insert(key);
      ++found.records;
      if (on_progress) on_progress(0.5 * found.records / total);
      if (const std::string problem = ProblemOf(key, json); !problem.empty()) {
        found.problems.push_back(problem);
        continue;
      }
      for (const auto& [name, hash] : EvidenceListed(json)) needed.insert(hash);
      for (const Superseding& item : SupersedesOf(Json::parse(json))) targets.insert(item.record);
    }
    SQLite::Statement evidence(*database, "SELECT sha256, bytes FROM evidence ORDER BY sha256");
    while (evidence.executeStep()) {
      const std::string hash = evidence.getColumn(0).getString();
      ++found.evidence;
      needed.erase(hash);
      if (TextSha256(Blob(evidence.getColumn(1))) != hash)
        found.problems.push_back(
            fmt::format("evidence {} does not match its hash: it was changed", Short(hash)));
    }
    for (const std::string& hash : needed)
      found.problems.push_back(fmt::format("evidence {} is named by a record and is not there", Short(hash)));
    for (const std::string& target : targets) {
      if (!keys.contains(target))
        found.problems.push_back(
            fmt::format("record {} is superseded here but not on record; merge the archive that holds it",
                        Short(target)));
    }
    filling.commit();
    if (IndexText(fresh) != IndexText(*database))
      found.problems.push_back(
          "the index does not say what the records say; conebook verify --rebuild-index makes it again");
  });
  if (on_progress) on_progress(1.0);
  return found;
}

}  // namespace conebook::src
