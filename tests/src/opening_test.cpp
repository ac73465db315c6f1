#include "src/opening.h"

#include <optional>
#include <utility>
#include <vector>

#include <catch2/catch.hpp>

using namespace conebook;
using namespace conebook::src;
using vision::SprayStage;

namespace {

constexpr auto kOpen = SprayStage::kFullyDeveloped;
constexpr auto kTulip = SprayStage::kTulip;
constexpr auto kOnion = SprayStage::kOnion;

std::vector<Point> Points(const std::vector<std::pair<double, std::optional<SprayStage>>>& seen) {
  std::vector<Point> points;
  for (const auto& [bar, stage] : seen) {
    Point point;
    point.pressure_bar = calib::Quantity{bar, 0.01, 1e9, {}};
    point.spray.stage = stage;
    points.push_back(point);
  }
  return points;
}

}  // namespace

// Common practice, no source: a sheet once open stays open below the pressure at which it opened.
TEST_CASE("what opens between 2 and 3 bar and closes between 1.5 and 1 says both", "[src][opening]") {
  std::vector<calib::Flag> flags;
  const Opening opening = OpeningOf(Points({{1.0, kOnion},
                                            {2.0, kTulip},
                                            {3.0, kOpen},
                                            {4.0, kOpen},
                                            {2.5, kOpen},
                                            {1.5, kOpen},
                                            {1.0, kTulip}}),
                                    flags);
  REQUIRE(opening.rising);
  CHECK(opening.rising->lo_bar == 2.0);
  CHECK(opening.rising->hi_bar == 3.0);
  REQUIRE(opening.falling);
  CHECK(opening.falling->lo_bar == 1.0);
  CHECK(opening.falling->hi_bar == 1.5);
  CHECK(flags.empty());
  CHECK(OpeningSentences(opening).size() == 2);
}

TEST_CASE("a point without a stage widens the interval", "[src][opening]") {
  std::vector<calib::Flag> flags;
  const Opening opening = OpeningOf(Points({{1.0, kTulip}, {2.0, std::nullopt}, {3.0, kOpen}}), flags);
  REQUIRE(opening.rising);
  CHECK(opening.rising->lo_bar == 1.0);
  CHECK(opening.rising->hi_bar == 3.0);
  CHECK_FALSE(opening.falling);
}

TEST_CASE("one stage throughout, or one point, says nothing about the opening", "[src][opening]") {
  std::vector<calib::Flag> flags;
  for (const auto& seen : {Points({{1.0, kOpen}, {2.0, kOpen}}), Points({{1.0, kTulip}}), Points({})}) {
    const Opening opening = OpeningOf(seen, flags);
    CHECK_FALSE(opening.rising);
    CHECK_FALSE(opening.falling);
  }
  CHECK(flags.empty());
}

TEST_CASE("closed above where it was open, on one rise: no interval, and a flag", "[src][opening]") {
  std::vector<calib::Flag> flags;
  const Opening opening = OpeningOf(Points({{1.0, kOpen}, {2.0, kTulip}, {3.0, kOpen}}), flags);
  CHECK_FALSE(opening.rising);
  REQUIRE(flags.size() == 1);
  CHECK(flags[0].code == "opening_unclear");
  CHECK(flags[0].severity == calib::Severity::kInfo);
}
