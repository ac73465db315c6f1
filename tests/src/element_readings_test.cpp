// What the index gives comparing, matching and sizing to start from: readings, and what their errors are
// shared with.
#include "src/archive/element_readings.h"

#include <cmath>
#include <filesystem>

#include <catch2/catch.hpp>
#include <fmt/format.h>
#include <nlohmann/json.hpp>
#include <sqlite3.h>

#include "scratch_folder.h"
#include "src/archive/archive.h"

namespace {

using namespace conebook::src;
using Json = nlohmann::json;
namespace fs = std::filesystem;

struct Book {
  conebook::testing::ScratchFolder folder;
  std::string path = folder.In("book.db");
  std::string Store(const Json& json) const { return StoreRecord(path, MakeRecord(json.dump(), {})).key; }
  std::vector<RunReadings> Readings(const RunFilter& filter = {}) const { return FindReadings(path, filter); }
};

Json Quantity(double value, double frames, double meter, double model = 0.0) {
  return {{"value", value},
          {"u", std::hypot(frames, meter, model)},
          {"budget",
           {{{"source", "scatter"}, {"u", frames}, {"shared", "frames"}},
            {{"source", "k-factor"}, {"u", meter}, {"shared", "meter"}},
            {{"source", "method"}, {"u", model}, {"shared", "model"}}}}};
}

Json PointAt(double bar, double area, const char* direction = "rising") {
  return {{"pressure_bar", {{"value", bar}, {"u", 0.01}}},
          {"flow_area_mm2", Quantity(area, 0.003, 0.004)},
          {"cone_half_angle_deg", Quantity(30.0 + bar, 0.3, 0.0, 0.2)},
          {"breakup_mm", {{"lower_bound", 21.5}}},
          {"direction", direction},
          {"temperature_c", 18.5},
          {"log_t0_s", 10.0 * bar}};
}

Json RunOf(const std::string& element, const std::string& footage, const Json& points) {
  return {{"schema", "conebook.run/1"},
          {"element", element},
          {"batch", "R1"},
          {"kind", "swirl"},
          {"date", "2031-05-04"},
          {"verdict", "ok"},
          {"program", {{"version", "0.1.0"}, {"build", "b1"}}},
          {"footage", {{"path", "a.mp4"}, {"sha256", footage}, {"illumination", "backlit"}}},
          {"inputs",
           {{"rig_sha256", "aa"},
            {"log", {{"path", "l.csv"}, {"sha256", "ee"}}},
            {"calibrations", Json::array()}}},
          {"settings",
           {{"rig",
             {{"element", {{"id", element}, {"inlet_count", 4}, {"inlet_diameter_mm", 0.6}}},
              {"nozzle", {{"exit_diameter_mm", 1.6}, {"u_exit_diameter_mm", 0.01}}},
              {"stand", {{"liquid", "water"}}},
              {"view", {{"rotation_deg", 120.0}}}}}}},
          {"stations_mm", {2.0, 12.0}},
          {"lean_against", "rig_axis"},
          {"flags", Json::array()},
          {"points", points}};
}

}  // namespace

TEST_CASE("a run's readings come with what their errors are shared with", "[src][readings]") {
  const Book book;
  const std::string key =
      book.Store(RunOf("A07", "f1", Json::array({PointAt(4.0, 0.36), PointAt(9.0, 0.37)})));
  const auto runs = book.Readings();
  REQUIRE(runs.size() == 1);
  const RunReadings& run = runs.front();
  CHECK(run.key == key);
  CHECK(run.element == "A07");
  CHECK(run.liquid == "water");
  CHECK(run.illumination == "backlit");
  CHECK(run.lean_against == "rig_axis");
  CHECK(run.rotation_deg == 120.0);
  CHECK(run.near_mm == 2.0);
  CHECK(run.far_mm == 12.0);
  CHECK(run.geometry == std::map<std::string, double>{{"exit_diameter_mm", 1.6},
                                                      {"inlet_count", 4.0},
                                                      {"inlet_diameter_mm", 0.6},
                                                      {"u_exit_diameter_mm", 0.01}});
  REQUIRE(run.points.size() == 2);
  const PointReadings& point = run.points[1];
  CHECK(point.n == 2);
  CHECK(point.temperature_c == 18.5);
  CHECK(point.breakup_lower_bound_mm == 21.5);
  CHECK(point.direction == Direction::kRising);
  CHECK_FALSE(point[ReadQuantity::kBreakupMm]);
  CHECK_FALSE(point[ReadQuantity::kCd]);
  REQUIRE(point[ReadQuantity::kFlowAreaMm2]);
  const ReadValue& area = *point[ReadQuantity::kFlowAreaMm2];
  CHECK(area.value == 0.37);
  CHECK(area.u == Approx(0.005));
  CHECK(area.shares.frames == 0.003);
  CHECK(area.shares.meter == 0.004);
  CHECK(area.shares.model == 0.0);
  CHECK(area.shares.Own() == 0.003);
  CHECK(point[ReadQuantity::kConeHalfAngleDeg]->shares.model == 0.2);
  // No budget: all of it belongs to the run.
  CHECK(point[ReadQuantity::kPressureBar]->shares.clip == 0.01);
}

TEST_CASE("between two points readings are read off a straight line, outside of them nothing is",
          "[src][readings]") {
  const Book book;
  book.Store(RunOf("A07", "f1",
                   Json::array({PointAt(4.0, 0.36), PointAt(9.0, 0.37), PointAt(8.0, 0.39, "falling")})));
  const RunReadings run = book.Readings().front();
  const auto area = [&](double bar, Direction branch = Direction::kUnknown) {
    return ReadAt(run, ReadQuantity::kFlowAreaMm2, bar, branch);
  };
  // 6 bar is half way from 4 to 9 bar on the scale of logarithms.
  REQUIRE(area(6.0));
  CHECK(area(6.0)->value == Approx(0.365));
  CHECK(area(6.0)->shares.frames == Approx(0.003 / std::sqrt(2.0)));
  CHECK(area(6.0)->shares.meter == Approx(0.004));
  CHECK(area(6.0)->u == Approx(std::hypot(0.003 / std::sqrt(2.0), 0.004)));
  CHECK(area(9.1)->value == 0.37);  // within 2 %
  CHECK_FALSE(area(9.5));
  CHECK_FALSE(area(3.5));
  CHECK(area(8.1, Direction::kFalling)->value == 0.39);
  CHECK_FALSE(area(6.0, Direction::kFalling));
  CHECK_FALSE(ReadAt(run, ReadQuantity::kCd, 6.0));
}

TEST_CASE("two runs share the meter's error where the same meter is stated, and the rig's by its file",
          "[src][readings]") {
  const Book book;
  const Json points = Json::array({PointAt(4.0, 0.36)});
  Json one = RunOf("A1", "f1", points), two = RunOf("A2", "f2", points), three = RunOf("A3", "f3", points),
       four = RunOf("A4", "f4", points);
  one["settings"]["rig"]["meter"] = two["settings"]["rig"]["meter"] = {{"k_factor_per_l", 20000.0}};
  two["inputs"]["rig_sha256"] = "bb";
  three["settings"]["rig"]["meter"] = {{"k_factor_per_l", 21000.0}};
  for (const Json& run : {one, two, three, four}) book.Store(run);
  const auto runs = book.Readings();
  REQUIRE(runs.size() == 4);
  CHECK(runs[0].meter_shared == runs[1].meter_shared);
  CHECK(runs[0].rig_shared != runs[1].rig_shared);
  CHECK(runs[0].rig_shared == runs[2].rig_shared);
  CHECK(runs[0].meter_shared != runs[2].meter_shared);
  CHECK(runs[3].meter_shared != runs[0].meter_shared);
}

TEST_CASE("an element is mounted anew when turned, when another came in between, or when the rig says so",
          "[src][readings]") {
  const Book book;
  const auto run = [&](const std::string& element, const std::string& footage, double log_s, double turned,
                       int stated = 0) {
    Json json = RunOf(element, footage, Json::array({PointAt(4.0, 0.36)}));
    json["points"][0]["log_t0_s"] = log_s;
    json["settings"]["rig"]["view"]["rotation_deg"] = turned;
    if (stated > 0) json["settings"]["rig"]["element"]["mount"] = stated;
    return book.Store(json);
  };
  std::map<std::string, int> mount;
  const std::string first = run("A1", "f1", 10.0, 0.0), again = run("A1", "f2", 20.0, 0.0),
                    turned = run("A1", "f3", 30.0, 90.0);
  run("B1", "f4", 40.0, 0.0);
  const std::string after = run("A1", "f5", 50.0, 0.0);
  const std::string stated = run("A1", "f6", 60.0, 0.0, 7), same = run("A1", "f7", 70.0, 90.0, 7);
  for (const RunReadings& reading : book.Readings()) mount[reading.key] = reading.mount;
  CHECK(mount[first] == mount[again]);
  CHECK(mount[turned] != mount[first]);
  CHECK(mount[after] != mount[first]);
  CHECK(mount[after] != mount[turned]);
  CHECK(mount[stated] == mount[same]);
  CHECK(mount[stated] != mount[after]);
}

TEST_CASE("only runs that count are read, and the filter holds", "[src][readings]") {
  const Book book;
  const Json points = Json::array({PointAt(4.0, 0.36)});
  const std::string wrong = book.Store(RunOf("A1", "f1", points));
  const std::string right =
      StoreRecord(book.path, MakeRecord(RunOf("A1", "f2", points).dump(), {}, {{wrong, "valve leaked"}})).key;
  book.Store(RunOf("A2", "f3", points));
  RunFilter filter;
  filter.elements = {"A1"};
  filter.superseded = true;
  const auto runs = book.Readings(filter);
  REQUIRE(runs.size() == 1);
  CHECK(runs.front().key == right);
}

TEST_CASE("facts win over the rig's geometry; what is disputed counts as unknown", "[src][readings]") {
  const Book book;
  book.Store(RunOf("A1", "f1", Json::array({PointAt(4.0, 0.36)})));
  book.Store({{"schema", "conebook.element/1"},
              {"element", "A1"},
              {"date", "2031-05-01"},
              {"facts", {{"exit_diameter_mm", 1.58}, {"chamber_diameter_mm", 4.0}, {"route", "reamed"}}}});
  book.Store({{"schema", "conebook.element/1"},
              {"element", "A1"},
              {"date", "2031-05-02"},
              {"facts", {{"chamber_diameter_mm", 4.1}}}});
  book.Store({{"schema", "conebook.stock/1"},
              {"element", "A1"},
              {"date", "2031-05-03"},
              {"sequence", 1},
              {"state", "fitted"},
              {"plate", "P3"},
              {"position", "5"}});
  const auto facts = FindElementFacts(book.path);
  const RunReadings run = book.Readings().front();
  const ElementFacts& of = facts.at("A1");
  CHECK(of.texts.at("route") == "reamed");
  CHECK(of.state == "fitted");
  CHECK(of.plate == "P3");
  CHECK(of.disputed == std::vector<std::string>{"chamber_diameter_mm"});
  CHECK(GeometryOf("exit_diameter_mm", &of, &run)->value == 1.58);
  CHECK_FALSE(GeometryOf("exit_diameter_mm", &of, &run)->from_rig);
  CHECK(GeometryOf("exit_diameter_mm", nullptr, &run)->value == 1.6);
  CHECK(GeometryOf("exit_diameter_mm", nullptr, &run)->u == 0.01);
  CHECK(GeometryOf("inlet_count", &of, &run)->value == 4.0);
  CHECK_FALSE(GeometryOf("chamber_diameter_mm", &of, &run));
}

TEST_CASE("an archive of layout 2 is brought up to date when opened", "[src][readings]") {
  const Book book;
  book.Store(RunOf("A07", "f1", Json::array({PointAt(4.0, 0.36)})));
  sqlite3* database = nullptr;
  REQUIRE(sqlite3_open(book.path.c_str(), &database) == SQLITE_OK);
  // As layout 2 was: without these two tables.
  REQUIRE(sqlite3_exec(database, "DROP TABLE setup; DROP TABLE reading; PRAGMA user_version = 2", nullptr,
                       nullptr, nullptr) == SQLITE_OK);
  sqlite3_close(database);
  const auto runs = book.Readings();
  REQUIRE(runs.size() == 1);
  REQUIRE(runs.front().points.size() == 1);
  CHECK(runs.front().points.front()[ReadQuantity::kFlowAreaMm2]->shares.meter == 0.004);
  CHECK(runs.front().liquid == "water");
  CHECK(CheckIntegrity(book.path, {}).problems.empty());
}
