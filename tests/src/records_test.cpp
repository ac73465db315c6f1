// What the archive holds: runs with their evidence, statements about elements, the stock, earlier results;
// and that nothing of it is lost, doubled or quietly changed.
#include <algorithm>
#include <filesystem>
#include <fstream>

#include <catch2/catch.hpp>
#include <fmt/format.h>
#include <nlohmann/json.hpp>
#include <sqlite3.h>

#include <calib/error.h>

#include "sample_run.h"
#include "scratch_folder.h"
#include "src/archive/archive.h"
#include "src/archive/earlier_results.h"
#include "src/archive/element_page.h"
#include "src/archive/element_table.h"
#include "src/archive/export.h"
#include "src/archive/query.h"
#include "src/archive/remeasure.h"
#include "src/archive/run_record.h"
#include "src/report/report.h"
#include "src/result_json.h"
#include "src/sha256.h"

namespace {

using namespace conebook::src;
using Json = nlohmann::json;
namespace fs = std::filesystem;

using Folder = conebook::testing::ScratchFolder;

std::string BytesOf(const std::string& path) {
  std::ifstream file(path, std::ios::binary);
  return {std::istreambuf_iterator<char>(file), {}};
}

// By plain SQLite: a hand that is not ours.
void Execute(const std::string& path, const std::string& sql) {
  sqlite3* database = nullptr;
  REQUIRE(sqlite3_open(path.c_str(), &database) == SQLITE_OK);
  CHECK(sqlite3_exec(database, sql.c_str(), nullptr, nullptr, nullptr) == SQLITE_OK);
  sqlite3_close(database);
}

// A small result of an element: only what the archive looks at.
std::string Result(const std::string& element, const std::string& footage, double cd = 0.3,
                   const std::string& build = "b1", const std::string& date = "2031-05-04") {
  Json point{{"pressure_bar", {{"value", 4.0}, {"u", 0.02}, {"lo95", 3.96}, {"hi95", 4.04}}},
             {"cd", {{"value", cd}, {"u", 0.002}, {"lo95", cd - 0.004}, {"hi95", cd + 0.004}}},
             {"breakup_mm", {{"lower_bound", 21.5}}}};
  Json json{{"schema", "conebook.run/1"},
            {"element", element},
            {"batch", "reamed"},
            {"kind", "swirl"},
            {"date", date},
            {"verdict", "flagged"},
            {"program", {{"version", "0.1.0"}, {"build", build}}},
            {"footage", {{"path", "a.mp4"}, {"sha256", footage}}},
            {"inputs", {{"rig_sha256", "aa"}, {"log", nullptr}, {"calibrations", Json::array()}}},
            {"settings", {{"rig", {{"element", {{"id", element}}}}}}},
            {"flags",
             {{{"code", "cut_off"}, {"severity", "warn"}, {"point", 0}, {"quantity", "breakup_mm"}},
              {{"code", "steady_criterion"}, {"severity", "info"}}}},
            {"flow_law", {{"flow_area_mm2", {{"value", 0.36}, {"u", 0.001}}}, {"cd", nullptr}}},
            {"points", Json::array({point})}};
  return json.dump();
}

Stored Store(const std::string& book, const std::string& json,
             const std::vector<Superseding>& for_them = {}) {
  return StoreRecord(book, MakeRecord(json, {}, for_them));
}

std::vector<std::string> ElementsOf(const std::vector<RunRow>& rows) {
  std::vector<std::string> names;
  for (const RunRow& row : rows) names.push_back(row.element);
  return names;
}

}  // namespace

TEST_CASE("gzip: what is kept compressed comes back byte for byte, and damage is noticed", "[src][records]") {
  for (const std::size_t size : {0U, 1U, 70'000U, 300'000U}) {
    std::string text(size, 'x');
    for (std::size_t i = 0; i < size; ++i) text[i] = static_cast<char>((i * i + i / 7) & 0xff);
    CHECK(Uncompressed(Compressed(text)) == text);
  }
  const std::string packed = Compressed("time_s,pressure_bar\n0,4\n");
  CHECK(packed.substr(0, 2) == "\x1f\x8b");            // RFC 1952, 2.3.1
  CHECK(packed.substr(4, 4) == std::string(4, '\0'));  // no time stamp
  CHECK_THROWS(Uncompressed(packed.substr(0, packed.size() - 3)));
  std::string bad = packed;
  bad[bad.size() - 6] ^= 0x11;
  CHECK_THROWS(Uncompressed(bad));
}

TEST_CASE("a run comes back from the archive as it was, and its page is the same page", "[src][records]") {
  const Folder folder;
  Run run = testing::MadeRun();
  testing::AddSpread(run);
  run.points[0].spray.grain =
      conebook::vision::Grain{0.21, 0.02, 0.05, 0.01, 48, 60, {{0.31, 0.04}}, {{0.12, 0.05}}, "", ""};
  run.points.back().spray.grain =
      conebook::vision::Grain{0.24, 0.02, 0.05, 0.01, 48, 60, {}, {}, "too few frames", "light"};
  run.date = "2031-05-04";
  run.date_from = "log";
  Json settings = Json::parse(run.settings_json);
  settings["rig"]["view"] = {{"rotation_deg", 120.0}, {"u_rotation_deg", 0.4}};
  run.settings_json = settings.dump();
  const std::string book = folder.In("book.db");
  MeasureInput input;
  input.rig.path = folder.Write("rig.toml", "[element]\nid = \"A07\"\n");
  input.log_path = folder.Write("log.csv", "time_s,pressure_bar\n0,1\n");
  const std::string key = StoreRecord(book, RunRecord(run, input)).key;
  const Record record = ReadRecord(book, key);
  CHECK(RecordKey(record.json) == key);
  const Run back = RunFromRecord(record.json, EvidenceOf(book));
  REQUIRE(back.points[0].spray.stage == run.points[0].spray.stage);
  REQUIRE(back.opening.rising);
  CHECK(back.opening.rising->hi_bar == 1.2);
  REQUIRE(back.view_rotation_deg);
  CHECK(back.view_rotation_deg->value == 120.0);
  CHECK(back.view_rotation_deg->u == 0.4);

  // The result file says the same, but for the evidence that the record lists.
  Json was = Json::parse(ResultJson(run)), is = Json::parse(ResultJson(back));
  CHECK(was == is);
  REQUIRE(back.points.size() == run.points.size());
  REQUIRE((back.points[0].spray.grain && back.points[0].spray.grain->mist));
  CHECK(back.points[0].spray.grain->mist->value == 0.31);
  REQUIRE(back.points[0].spray.grain->ligaments);
  CHECK(back.points[0].spray.grain->ligaments->value == 0.12);
  CHECK(back.points.back().spray.grain->no_ligaments == "light");
  REQUIRE(back.points[0].spray.waves);
  CHECK(cv::norm(back.points[0].spray.waves->picture, run.points[0].spray.waves->picture) ==
        0.0);  // without loss
  for (std::size_t p = 0; p < run.points.size(); ++p) {
    const auto &a = run.points[p].spray, &b = back.points[p].spray;
    REQUIRE(a.still.size() == b.still.size());
    CHECK(a.boundary_left.size() == b.boundary_left.size());
    REQUIRE(a.series.size() == b.series.size());
    for (std::size_t i = 0; i < a.series.size(); ++i) {
      CHECK(b.series[i].t_s == Approx(a.series[i].t_s).margin(1e-6));
      CHECK(b.series[i].left_deg == Approx(a.series[i].left_deg).margin(1e-4));
      CHECK(b.series[i].breakup_mm == Approx(a.series[i].breakup_mm).margin(1e-4));
    }
  }
  CHECK(back.trace.time_s.size() == run.trace.time_s.size());
  CHECK(EvidenceText(record.json, "stand_log.csv", EvidenceOf(book)) == "time_s,pressure_bar\n0,1\n");
  // The picture was compressed once more; all else on the page is equal.
  const auto without_pictures = [](std::string page) {
    for (std::size_t at = page.find("data:image"); at != std::string::npos; at = page.find("data:image", at))
      page.erase(at, page.find('"', at) - at);
    return page;
  };
  const std::string page = without_pictures(RenderReportHtml(run));
  const bool same_page = without_pictures(RenderReportHtml(back)) == page;  // not shown: a megabyte
  CHECK(same_page);
}

TEST_CASE("the same run stored again is already on record; by another build it stands for the first",
          "[src][records]") {
  const Folder folder;
  const std::string book = folder.In("book.db");
  const Stored first = Store(book, Result("A07", "f1"));
  CHECK_FALSE(first.already_on_record);
  CHECK(Store(book, Result("A07", "f1")).already_on_record);
  const Stored later = Store(book, Result("A07", "f1", 0.301, "b2"));
  CHECK(later.superseded == std::vector<std::string>{first.key});
  // Once more with either build: nothing new, whichever stands for which.
  CHECK(Store(book, Result("A07", "f1")).already_on_record);
  CHECK(Store(book, Result("A07", "f1", 0.301, "b2")).already_on_record);
  CHECK(FindRuns(book, {}).size() == 1);
  RunFilter all;
  all.superseded = true;
  REQUIRE(FindRuns(book, all).size() == 2);
  for (const RunRow& row : FindRuns(book, all)) {
    CHECK(row.counts == (row.key == later.key));
    if (!row.counts) CHECK(row.superseded_by == later.key);
  }
}

TEST_CASE("the same footage under another element is pointed out, and a correction says why",
          "[src][records]") {
  const Folder folder;
  const std::string book = folder.In("book.db");
  const std::string wrong = Store(book, Result("A08", "f1")).key;
  const Stored beside = Store(book, Result("A07", "f1"));
  CHECK(beside.same_footage == std::vector<std::string>{wrong});
  CHECK(FindRuns(book, {}).size() == 2);
  const Stored corrected = Store(book, Result("A09", "f1"), {{wrong, "the rig named the wrong element"}});
  RunFilter filter;
  filter.elements = {"A08"};
  CHECK(FindRuns(book, filter).empty());
  filter.superseded = true;
  REQUIRE(FindRuns(book, filter).size() == 1);
  CHECK(FindRuns(book, filter).front().superseded_by == corrected.key);
  CHECK(FindRuns(book, filter).front().reason == "the rig named the wrong element");
}

TEST_CASE("runs are found by element, batch, day, verdict and flag, and sorted", "[src][records]") {
  const Folder folder;
  const std::string book = folder.In("book.db");
  Store(book, Result("B1", "f1", 0.30, "b1", "2031-05-06"));
  Store(book, Result("A1", "f2", 0.31, "b1", "2031-05-04"));
  Store(book, Result("C1", "f3", 0.32, "b1", "2031-05-05"));
  CHECK(ElementsOf(FindRuns(book, {})) == std::vector<std::string>{"A1", "C1", "B1"});
  CHECK(ElementsOf(FindRuns(book, {}, RunOrder::kElement, true)) ==
        std::vector<std::string>{"C1", "B1", "A1"});
  RunFilter filter;
  filter.from = "2031-05-05";
  CHECK(FindRuns(book, filter).size() == 2);
  filter.to = "2031-05-05";
  CHECK(ElementsOf(FindRuns(book, filter)) == std::vector<std::string>{"C1"});
  filter = {};
  filter.flags = {"cut_off"};
  CHECK(FindRuns(book, filter).size() == 3);
  filter.flags = {"soft_focus"};
  CHECK(FindRuns(book, filter).empty());
  filter = {};
  filter.verdict = "ok";
  CHECK(FindRuns(book, filter).empty());
  filter.verdict = "flagged";
  filter.elements = {"A1", "B1"};
  CHECK(FindRuns(book, filter).size() == 2);
  // A name with SQL in it is a name.
  filter = {};
  filter.elements = {"A1' OR '1'='1"};
  CHECK(FindRuns(book, filter).empty());
}

TEST_CASE("an index made from the records alone is the same index, byte for byte", "[src][records]") {
  const Folder folder;
  // The same records, in another order, on another machine.
  const std::vector<std::string> results{Result("A1", "f1"), Result("A2", "f2"), Result("A1", "f3", 0.4)};
  const std::string there = folder.In("there.db"), here = folder.In("here.db");
  for (auto it = results.begin(); it != results.end(); ++it) Store(there, *it);
  for (auto it = results.rbegin(); it != results.rend(); ++it) Store(here, *it);
  RebuildIndex(here);
  for (const char* table : {"run", "point", "flag", "twice", "supersedes", "fact", "stock"}) {
    const auto dump = [&](const std::string& book) {
      std::string text;
      sqlite3* database = nullptr;
      REQUIRE(sqlite3_open(book.c_str(), &database) == SQLITE_OK);
      const auto take = [](void* into, int columns, char** values, char**) {
        for (int i = 0; i < columns; ++i)
          *static_cast<std::string*>(into) += std::string(values[i] ? values[i] : "null") + "|";
        return 0;
      };
      const std::string sql = fmt::format("SELECT * FROM {}", table);
      CHECK(sqlite3_exec(database, sql.c_str(), take, &text, nullptr) == SQLITE_OK);
      sqlite3_close(database);
      return text;
    };
    INFO(table);
    CHECK(dump(there) == dump(here));
  }
  CHECK(CheckIntegrity(there, {}).problems.empty());
  CHECK(CheckIntegrity(here, {}).problems.empty());
}

TEST_CASE("an archive of the first layout is brought up to date, and keeps its keys", "[src][records]") {
  const Folder folder;
  const std::string book = folder.In("book.db"), json = MakeRecord(Result("A07", "f1"), {}).json;
  Execute(book, fmt::format("PRAGMA application_id = {}; PRAGMA user_version = 1; CREATE TABLE record(sha256 "
                            "TEXT PRIMARY KEY, json TEXT NOT NULL); INSERT INTO record VALUES('{}', '{}')",
                            0x434e424b, RecordKey(json), json));
  REQUIRE(FindRuns(book, {}).size() == 1);
  CHECK(FindRuns(book, {}).front().key == RecordKey(json));
  CHECK(CheckIntegrity(book, {}).problems.empty());
}

TEST_CASE("a changed record, changed evidence and a changed index are found", "[src][records]") {
  const Folder folder;
  const std::string book = folder.In("book.db");
  const std::string key =
      StoreRecord(book, MakeRecord(Result("A07", "f1"), {{"stand_log.csv.gz", Compressed("a,b\n")}})).key;
  REQUIRE(CheckIntegrity(book, {}).problems.empty());
  const auto problems_after = [&](const std::string& sql) {
    const std::string copy = folder.In("copy.db");
    fs::copy_file(book, copy, fs::copy_options::overwrite_existing);
    Execute(copy, sql);
    std::string all;
    for (const std::string& problem : CheckIntegrity(copy, {}).problems) all += problem + "\n";
    return all;
  };
  using Catch::Contains;
  CHECK_THAT(problems_after("UPDATE record SET json = replace(json, '0.3', '0.4')"),
             Contains("record " + key.substr(0, 12) + " does not match its key"));
  CHECK_THAT(problems_after("UPDATE evidence SET bytes = x'00'"), Contains("does not match its hash"));
  CHECK_THAT(problems_after("DELETE FROM evidence"), Contains("is not there"));
  CHECK_THAT(problems_after("UPDATE point SET cd = 0.5"), Contains("the index does not say"));
  CHECK_THAT(problems_after("DELETE FROM flag"), Contains("--rebuild-index"));
}

TEST_CASE("merging is a union: nothing lost, nothing twice, in any order", "[src][records]") {
  const Folder folder;
  const std::string a = folder.In("a.db"), b = folder.In("b.db");
  StoreRecord(a, MakeRecord(Result("A1", "f1"), {{"x.gz", Compressed("one")}}));
  Store(a, Result("A2", "f2"));
  Store(b, Result("A2", "f2"));
  StoreRecord(b, MakeRecord(Result("A3", "f3"), {{"x.gz", Compressed("three")}}));
  const std::string b_before = BytesOf(b);
  const std::string ab = folder.In("ab.db"), ba = folder.In("ba.db");
  for (const auto& [into, order] : {std::pair{ab, std::vector{a, b}}, std::pair{ba, std::vector{b, a, b}}}) {
    for (const std::string& from : order) MergeArchive(from, into);
    CHECK(FindRuns(into, {}).size() == 3);
    CHECK(CheckIntegrity(into, {}).problems.empty());
    CHECK(CheckIntegrity(into, {}).evidence == 2);
  }
  CHECK(BytesOf(b) == b_before);
  const Merged again = MergeArchive(a, ab);
  CHECK(again.added == 0);
  CHECK(again.already_on_record == 2);
  CHECK(RunsCsv(FindRuns(ab, {})) == RunsCsv(FindRuns(ba, {})));
}

TEST_CASE("the same clip measured on two laptops by two builds counts once after merging", "[src][records]") {
  const Folder folder;
  Store(folder.In("a.db"), Result("A1", "f1", 0.300, "b1"));
  Store(folder.In("b.db"), Result("A1", "f1", 0.301, "b2"));
  const auto merged = [&](const char* name, const char* first, const char* second) {
    MergeArchive(folder.In(first), folder.In(name));
    MergeArchive(folder.In(second), folder.In(name));
    const std::vector<RunRow> rows = FindRuns(folder.In(name), {});
    REQUIRE(rows.size() == 1);
    return rows.front().key;
  };
  CHECK(merged("ab.db", "a.db", "b.db") == merged("ba.db", "b.db", "a.db"));
}

TEST_CASE("a damaged record is not taken over by a merge, and is named", "[src][records]") {
  const Folder folder;
  const std::string a = folder.In("a.db"), into = folder.In("into.db");
  Store(a, Result("A1", "f1"));
  Store(a, Result("A2", "f2"));
  Execute(a, "UPDATE record SET json = replace(json, '\"A1\"', '\"A9\"') WHERE json LIKE '%\"A1\"%'");
  const Merged merged = MergeArchive(a, into);
  CHECK(merged.added == 1);
  CHECK(merged.damaged.size() == 1);
  CHECK(ElementsOf(FindRuns(into, {})) == std::vector<std::string>{"A2"});
}

TEST_CASE("a table of elements: known facts are not repeated, contradictions need a reason",
          "[src][records]") {
  const Folder folder;
  const std::string book = folder.In("book.db");
  const auto import = [&](const std::string& csv, const std::string& reason = "") {
    const CsvTable table = ReadCsv(folder.Write("elements.csv", csv), {});
    REQUIRE(LooksLikeElementTable(table));
    const ElementTable elements = ReadElementTable(book, table, reason, "2031-05-04");
    StoreRecords(book, elements.records);
    return elements.records.size();
  };
  CHECK(import("element,material,inlet_diameter_mm,u_inlet_diameter_mm,notes\nA1,brass,0.82,0.004,\"slot, "
               "left\"\n") == 1);
  CHECK(import("element,material,inlet_diameter_mm\nA1,brass,0.82\n") == 0);
  CHECK(import("element,exit_diameter_mm\nA1,1.2\n") == 1);
  CHECK_THROWS_WITH(import("element,inlet_diameter_mm\nA1,0.85\n"),
                    Catch::Contains("line 2") && Catch::Contains("0.82 on record, the table says 0.85"));
  CHECK(import("element,inlet_diameter_mm\nA1,0.85\n", "pin gauges recalibrated") == 1);
  const auto facts = FactsInWords(FindFacts(book, "A1"));
  const auto value_of = [&](const std::string& name) {
    const auto found =
        std::find_if(facts.begin(), facts.end(), [&](const ElementFact& fact) { return fact.name == name; });
    REQUIRE(found != facts.end());
    return found->value;
  };
  CHECK(value_of("inlet diameter") == "0.85 mm, u 0.004 mm");
  CHECK(value_of("exit diameter") == "1.2 mm");  // said by a record that was superseded, and carried over
  CHECK(value_of("notes") == "slot, left");
  CHECK_THROWS_WITH(import("element,inlet_diameter_mm\nA1,-1\n"), Catch::Contains("above zero"));
  CHECK_THROWS_WITH(import("element,kind\nA1,swril\n"), Catch::Contains("expected one of"));
  CHECK_THROWS_WITH(import("element,material\nA1,brass\nA1,steel\n"), Catch::Contains("line 2 too"));
}

TEST_CASE("two laptops that say different things of an element: both stay, disputed, until decided",
          "[src][records]") {
  const Folder folder;
  const auto import = [&](const std::string& book, const std::string& csv, const std::string& reason) {
    const CsvTable table = ReadCsv(folder.Write("elements.csv", csv), {});
    StoreRecords(book, ReadElementTable(book, table, reason, "2031-05-04").records);
  };
  const std::string a = folder.In("a.db"), b = folder.In("b.db");
  import(a, "element,exit_diameter_mm,material\nA1,1.20,brass\n", "");
  import(b, "element,exit_diameter_mm\nA1,1.22\n", "");
  MergeArchive(b, a);
  const std::vector<FactRow> facts = FindFacts(a, "A1");
  CHECK(std::count_if(facts.begin(), facts.end(), [](const FactRow& row) { return row.disputed; }) == 2);
  CHECK_THROWS(import(a, "element,exit_diameter_mm\nA1,1.22\n", ""));
  import(a, "element,exit_diameter_mm\nA1,1.22\n", "measured again by both");
  const std::vector<FactRow> decided = FindFacts(a, "A1");
  CHECK(std::none_of(decided.begin(), decided.end(), [](const FactRow& row) { return row.disputed; }));
  CHECK(decided.size() == 2);
}

TEST_CASE("the stock has a history, and two moves that know nothing of each other are reported",
          "[src][records]") {
  const Folder folder;
  const std::string a = folder.In("a.db"), b = folder.In("b.db");
  const auto move = [](const std::string& book, const StockMove& what) {
    CheckStockMove(what, "here");
    const auto record = StockRecord(book, what);
    if (record) StoreRecord(book, *record);
    return record.has_value();
  };
  CHECK(move(a, {"A1", "in_stock", "2031-05-01", "", "", "", {}}));
  CHECK_FALSE(move(a, {"A1", "in_stock", "2031-05-02", "", "", "", {}}));
  MergeArchive(a, b);
  CHECK(move(a, {"A1", "fitted", "2031-05-03", "P1", "4", "", {}}));
  CHECK(move(a, {"A1", "fired", "2031-05-04", "P1", "4", "", 2}));
  REQUIRE(FindStock(a, "A1").size() == 3);
  CHECK(FindStock(a, "A1").back().firings == 2);
  CHECK(StockInWords(FindStock(a, "A1").back()).words == "plate P1, position 4, 2 firings");
  CHECK(StockConflicts(FindStock(a, "A1")).empty());
  CHECK(move(b, {"A1", "scrapped", "2031-05-03", "", "", "dropped", {}}));
  MergeArchive(b, a);
  CHECK(StockConflicts(FindStock(a, "A1")).size() == 1);
  CHECK_THROWS_WITH(CheckStockMove({"A1", "fited", "2031-05-03", "P1", "", "", {}}, "here"),
                    Catch::Contains("did you mean fitted?"));
  CHECK_THROWS(CheckStockMove({"A1", "fitted", "2031-05-03", "", "", "", {}}, "here"));
  CHECK_THROWS(CheckStockMove({"A1", "in_stock", "2031-02-30", "", "", "", {}}, "here"));
}

TEST_CASE("earlier results are marked imported, with u stated or said to be assumed", "[src][records]") {
  const Folder folder;
  const std::string path =
      folder.Write("old.csv",
                   "element;date;pressure_kpa;flow_l_min;u_flow_l_min;temperature_c;liquid\n"
                   "A1;2029-03-01;400,0;0,66;0,0033;20;water\n"
                   "A1;2029-03-01;900,0;0,99;;20;water\n");
  const CsvTable table = ReadCsv(path, {});
  REQUIRE(LooksLikeEarlierResults(table));
  const EarlierResults results = ReadEarlierResults(table);
  CHECK(results.points == 2);
  REQUIRE(results.records.size() == 1);
  const Json json = Json::parse(results.records.front().json);
  CHECK(json["origin"] == "imported");
  const Json& point = json["points"][0];
  CHECK(point["pressure_bar"]["value"].get<double>() == Approx(4.0));
  // Water of 20 C at 1 bar: 998.21 kg/m3 (IAPWS-95); 0.66 l/min = 0.011 l/s; area = m / sqrt(2 rho dp).
  CHECK(point["flow_kg_s"]["value"].get<double>() == Approx(0.011 * 0.99821).epsilon(2e-4));
  CHECK(point["flow_area_mm2"]["value"].get<double>() ==
        Approx(1e6 * 0.011 * 0.99821 / std::sqrt(2.0 * 998.21 * 4e5)).epsilon(3e-4));
  CHECK(point["flow_kg_s"]["u"].get<double>() == Approx(0.005 * 0.01098).epsilon(0.05));
  CHECK(json["points"][1]["flow_kg_s"]["budget"].dump().find("assumed") != std::string::npos);
  const std::string book = folder.In("book.db");
  StoreRecords(book, results.records);
  Store(book, Result("A1", "f1"));
  RunFilter measured;
  measured.origin = "measured";
  CHECK(FindRuns(book, measured).size() == 1);
  CHECK(FindRuns(book, {}).front().verdict == "imported");
  // A table without what it needs says so by line.
  const auto refused = [&](const std::string& csv) {
    return ReadEarlierResults(ReadCsv(folder.Write("bad.csv", csv), {}));
  };
  CHECK_THROWS_WITH(refused("element,pressure_bar\nA1,\n"), Catch::Contains("line 2"));
  CHECK_THROWS_WITH(refused("element,pressure_bar,pressure_psi\nA1,4,58\n"), Catch::Contains("both"));
  CHECK_THROWS_WITH(refused("element,pressure_bar,date\nA1,4,4 May\n"), Catch::Contains("expected a day"));
}

TEST_CASE("exported tables carry units, and the dictionary explains every column", "[src][records]") {
  const Folder folder;
  const std::string book = folder.In("book.db");
  Store(book, Result("A,1", "f1"));
  Json rejected = Json::parse(Result("A2", "f2"));
  rejected["verdict"] = "rejected";
  rejected["points"] = Json::array();
  Store(book, rejected.dump());
  const std::vector<RunRow> runs = FindRuns(book, {});
  const std::string csv = PointsCsv(book, runs), dictionary = DictionaryCsv();
  CHECK(csv.find("\"A,1\"") != std::string::npos);
  CHECK(std::count(csv.begin(), csv.end(), '\n') == 3);  // header, a point, a refused run without one
  for (const std::string& table : {csv, RunsCsv(runs), FactsCsv({}), StockCsv({})}) {
    std::string header = table.substr(0, table.find('\n'));
    for (std::size_t from = 0; from <= header.size();) {
      const std::size_t to = std::min(header.find(',', from), header.size());
      const std::string column = header.substr(from, to - from);
      INFO(column);
      CHECK(("\n" + dictionary).find("\n" + column + ",") != std::string::npos);
      from = to + 1;
    }
  }
  const Json json = Json::parse(RecordsJson(book, runs));
  CHECK(json["records"].size() == 2);
  CHECK(Json::parse(RunsJson(runs))["runs"].size() == 2);
}

TEST_CASE("two results are held against each other in units of u", "[src][records]") {
  const std::string was = Result("A1", "f1", 0.3000);
  CHECK(CompareResults(was, was).same_bytes);
  // 0.05 u apart, by another build: as good as the same.
  const Comparison near = CompareResults(was, Result("A1", "f1", 0.3001, "b2"));
  CHECK_FALSE(near.same_bytes);
  CHECK(near.differences.empty());
  CHECK(near.largest_in_u == Approx(0.05));
  // Half a u apart: said, with both values.
  const Comparison far = CompareResults(was, Result("A1", "f1", 0.3010, "b2"));
  REQUIRE(far.differences.size() == 1);
  CHECK_THAT(far.differences.front(), Catch::Contains("/points/0/cd") && Catch::Contains("0.5 u"));
  // The same build must give the same bytes.
  CHECK_FALSE(CompareResults(was, Result("A1", "f1", 0.3001)).differences.empty());
  Json less = Json::parse(Result("A1", "f1", 0.3, "b2"));
  less["points"][0]["cd"] = nullptr;
  less["flags"].erase(1);
  CHECK(CompareResults(was, less.dump()).differences.size() == 2);
}

TEST_CASE("footage is found where it was moved to, by its hash", "[src][records]") {
  const Folder folder;
  fs::create_directories(folder.path / "2031" / "may");
  folder.Write("2031/may/a.mp4", "the right one");
  folder.Write("a.mp4", "another clip of that name");
  const std::string hash = TextSha256("the right one");
  const auto found = FindFootage("clips/a.mp4", hash, {folder.path.string()});
  REQUIRE(found);
  CHECK(fs::path(*found).parent_path().filename() == "may");
  CHECK_FALSE(FindFootage("clips/a.mp4", TextSha256("gone"), {folder.path.string()}));
}
