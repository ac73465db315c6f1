#include "src/match.h"

#include <cmath>
#include <filesystem>
#include <fstream>

#include <catch2/catch.hpp>
#include <unistd.h>

using namespace conebook::src;

namespace {

RunReadings RunOf(const std::string& key, const std::string& date, double area_mm2, double own,
                  double meter) {
  RunReadings run;
  run.key = key;
  run.element = "A01";
  run.date = date;
  run.meter_shared = "m";
  for (const double bar : {4.0, 8.0}) {
    PointReadings& point = run.points.emplace_back();
    const auto put = [&](ReadQuantity quantity, ReadValue value) {
      point.values[static_cast<std::size_t>(quantity)] = value;
    };
    ReadValue pressure{bar, 0.01, {}};
    ReadValue area{area_mm2, std::hypot(own, meter), {}};
    area.shares.clip = own;
    area.shares.meter = meter;
    put(ReadQuantity::kPressureBar, pressure);
    put(ReadQuantity::kFlowAreaMm2, area);
  }
  return run;
}

}  // namespace

TEST_CASE("a sum adds up what is shared, and the rest in quadrature", "[match]") {
  // Twelve readings of 0.8 with 0.001 of their own and 0.002 of one meter: 12 * 0.002 and sqrt(12) * 0.001.
  std::vector<StockReading> readings(12);
  std::vector<const StockReading*> all;
  for (StockReading& reading : readings) {
    reading.value = 0.8;
    reading.own_u = 0.001;
    reading.shared = {{"flow_area_mm2|meter|m", 0.002}};
    all.push_back(&reading);
  }
  const conebook::calib::Quantity sum = SumOf(all);
  CHECK(sum.value == Approx(9.6));
  CHECK(sum.u == Approx(std::hypot(12 * 0.002, std::sqrt(12.0) * 0.001)));
  REQUIRE(sum.budget.size() == 2);
  CHECK(sum.budget.front().shared == conebook::calib::Shared::kMeter);
  // Two meters, six each: independent of each other.
  for (std::size_t i = 6; i < 12; ++i) readings[i].shared[0].first = "flow_area_mm2|meter|n";
  CHECK(SumOf(all).u == Approx(std::hypot(std::sqrt(2.0) * 6 * 0.002, std::sqrt(12.0) * 0.001)));
}

TEST_CASE("a reading is the mean of the latest day's runs", "[match]") {
  const std::vector<RunReadings> runs{RunOf("a", "2031-05-01", 0.70, 0.001, 0.002),
                                      RunOf("b", "2031-05-06", 0.800, 0.001, 0.002),
                                      RunOf("c", "2031-05-06", 0.801, 0.001, 0.002)};
  const auto reading = ReadingAt(runs, ReadQuantity::kFlowAreaMm2, "flow_area_mm2", 6.0);
  REQUIRE(reading);
  CHECK(reading->value == Approx(0.8005));
  CHECK(reading->runs == 2);
  CHECK(reading->own_u == Approx(0.001 / std::sqrt(2.0)));  // they agree: chi^2 0.5 on 1
  CHECK(reading->u == Approx(std::hypot(0.001 / std::sqrt(2.0), 0.002)));
  CHECK_FALSE(ReadingAt(runs, ReadQuantity::kFlowAreaMm2, "flow_area_mm2", 12.0));
  // Runs 0.01 apart, ten times their own u: chi^2 = 50 on 1, so sqrt(50) times the u of their mean.
  const std::vector<RunReadings> apart{RunOf("b", "2031-05-06", 0.800, 0.001, 0.0),
                                       RunOf("c", "2031-05-06", 0.810, 0.001, 0.0)};
  CHECK(ReadingAt(apart, ReadQuantity::kFlowAreaMm2, "flow_area_mm2", 6.0)->u == Approx(0.005));
}

TEST_CASE("a plate file: rings, positions, clocking, limits of the wall row", "[match]") {
  const std::filesystem::path folder =
      std::filesystem::temp_directory_path() / ("conebook_match_" + std::to_string(getpid()));
  std::filesystem::create_directories(folder);
  const std::string path = (folder / "plate.toml").string();
  std::ofstream(path)
      << "[plate]\nid = \"P\"\npressure_drop_bar = 6\nrings = [ { count = 1, radius_mm = 0.0 }, { count = 4, "
         "radius_mm = 20.0, first_angle_deg = -45.0, wall = true, mark = \"inward\" } ]\n[limits]\n"
         "flow_area_mm2 = { target = 0.8, tolerance_percent = 2.5 }\ncone_half_angle_deg = { lower = 34.0, "
         "upper = 36.0 }\n[wall_limits]\nflow_area_mm2 = { target = 0.78, tolerance = 0.01 }\n";
  const MatchPlate plate = ReadMatchPlate(path);
  std::filesystem::remove_all(folder);
  REQUIRE(plate.positions.size() == 5);
  CHECK(plate.positions[1].angle_deg == Approx(315.0));
  CHECK(plate.positions[1].mark_deg.value() == Approx(135.0));
  CHECK(plate.positions[4].name == "5");
  CHECK(plate.HasWallRow());
  const DrawingLimit& core = *plate.LimitOf(false, "flow_area_mm2");
  CHECK(core.tolerance.lower.value() == Approx(0.78));
  CHECK(core.HalfWidth().value() == Approx(0.02));
  CHECK(plate.LimitOf(true, "flow_area_mm2")->target.value() == Approx(0.78));
  // Left out for the wall row: as in [limits].
  CHECK(plate.LimitOf(true, "cone_half_angle_deg")->tolerance.upper.value() == Approx(36.0));
}
