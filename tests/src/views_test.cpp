// Runs of one element turned about its axis, put together: what a day's file and page say of the map around
// the cone.
#include <cmath>
#include <numbers>
#include <string>
#include <vector>

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include <src/day_json.h>
#include <src/report/views_section.h>
#include <src/views.h>

#include "sample_run.h"

using namespace conebook;
using namespace conebook::src;
using Catch::Matchers::Contains;

namespace {

constexpr double kRad = std::numbers::pi / 180.0;

// A ring at 0.8 of the half width, uneven by 0.4 cos(azimuth - 90 deg), whose blobs project as Gaussians. At
// rotation 0 the mark faces the camera and 270 deg lies to the right: the left is then the denser side.
Run Seen(double rotation_deg) {
  Run run = conebook::src::testing::MadeRun();
  run.view_rotation_deg = calib::Stated{rotation_deg, 1.0};
  for (Point& point : run.points) {
    const double half = std::tan(point.spray.half_angle->mean_deg.value * kRad);
    vision::Evenness evenness;
    constexpr int kPlaces = 90;
    for (int j = 0; j < kPlaces; ++j) {
      const double part = ((j + 0.5) / kPlaces * 2.0 - 1.0) * 1.5;
      double absorbance = 0.0;
      for (int azimuth = 0; azimuth < 360; ++azimuth) {
        const double at = -0.8 * std::sin((azimuth + rotation_deg) * kRad);
        absorbance += (1.0 + 0.4 * std::cos((azimuth - 90) * kRad)) *
                      std::exp(-0.5 * std::pow((part - at) / 0.06, 2)) / 360;
      }
      evenness.angle_deg.push_back(std::atan(part * half) / kRad);
      evenness.absorbance.push_back(absorbance);
      evenness.u_absorbance.push_back(1e-3);
    }
    point.spray.evenness = evenness;
  }
  return run;
}

}  // namespace

TEST_CASE("three views of an uneven spray give its dense side, in words, file and page", "[src][views]") {
  const std::vector<Run> runs{Seen(0.0), Seen(120.0), Seen(240.0)};
  const std::vector<const Run*> all{&runs[0], &runs[1], &runs[2]};
  const std::vector<ElementViews> views = ViewsOf(all);
  REQUIRE_FALSE(views.empty());
  REQUIRE(views[0].map);
  CHECK(views[0].map->harmonics[0].amplitude == Approx(0.4).margin(0.015));
  CHECK(views[0].map->harmonics[0].direction_deg == Approx(90.0).margin(2.0));
  CHECK_THAT(InWords(views[0]), Contains("once a turn") && Contains("most at 90 deg") &&
                                    Contains("not told by these rotations: 3"));

  DayReport day;
  for (const Run& run : runs) {
    DayEntry& entry = day.entries.emplace_back();
    entry.run = run;
  }
  const nlohmann::json file = nlohmann::json::parse(DayJson(day, {"", "", ""}));
  const nlohmann::json extinction = file["views"][0]["extinction"];
  CHECK(extinction["harmonics"][0]["amplitude"] == views[0].map->harmonics[0].amplitude);
  CHECK(extinction["around"].size() == 24);
  CHECK(extinction["around"][6]["azimuth_deg"] == 90.0);
  CHECK(extinction["around"][6]["relative"].get<double>() > 1.3);

  const std::string page = ViewsHtml("Seen from several sides", {{"2031-05-04", all}});
  CHECK_THAT(page, Contains("Extinction around the cone") && Contains("2031-05-04: "));
}

TEST_CASE("two views half a turn apart give no map and say why", "[src][views]") {
  const std::vector<Run> runs{Seen(0.0), Seen(180.0)};
  const std::vector<ElementViews> views = ViewsOf({&runs[0], &runs[1]});
  REQUIRE_FALSE(views.empty());
  CHECK_FALSE(views[0].map);
  CHECK_THAT(InWords(views[0]), Contains("no map around the cone") && Contains("rotations"));
  // And views that show nothing of the drops say nothing of them.
  std::vector<Run> blank = runs;
  for (Run& run : blank)
    for (Point& point : run.points) point.spray.evenness.reset();
  CHECK_THAT(InWords(ViewsOf({&blank[0], &blank[1]})[0]), !Contains("map around"));
}
