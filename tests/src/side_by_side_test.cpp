// Sprays side by side: the same millimetres and greys whatever the cameras, a hidden order that hides, and
// grain that is ranked only where it can be.
#include "src/report/side_by_side.h"

#include <cmath>
#include <numbers>
#include <string>
#include <utility>

#include <catch2/catch.hpp>
#include <opencv2/core.hpp>

#include <calib/error.h>

#include "sample_run.h"
#include "src/grain_rank.h"

using namespace conebook;
using namespace conebook::src;

namespace {

// A made-up spray in back light as a camera of its own scale, turn and exposure would show it: dark sides at
// 0.4 of the way from the exit, and a dark ring 6 mm below it.
SideBySideEntry Seen(const std::string& element, double px_per_mm, double axis_deg, double exposure,
                     const std::string& record) {
  SideBySideEntry entry;
  entry.record = record;
  Run& run = entry.run;
  run.element = element;
  run.has_scale = true;
  run.px_per_mm = calib::Quantity{px_per_mm, 0.01, 1e9, {}};
  run.clip.illumination = vision::Illumination::kBacklit;
  run.axis_deg = axis_deg;
  run.exit_diameter_mm = 1.2;
  const int side = static_cast<int>(60.0 * px_per_mm);
  run.clip.width_px = run.clip.height_px = side;
  run.exit_px = {0.5 * side + 3.0, 0.5 * side - 4.0};
  const double turn = axis_deg * std::numbers::pi / 180.0;
  cv::Mat still(side, side, CV_8U);
  for (int y = 0; y < side; ++y) {
    for (int x = 0; x < side; ++x) {
      const double dx = (x - run.exit_px.x) / px_per_mm, dy = (y - run.exit_px.y) / px_per_mm;
      const double z = dx * std::sin(turn) + dy * std::cos(turn);
      const double across = dx * std::cos(turn) - dy * std::sin(turn);
      double light = 1.0;
      if (z > 0.0)
        light -= 0.7 * std::min(1.0, z) * std::exp(-0.5 * std::pow((std::abs(across) - 0.4 * z) / 0.6, 2));
      light -= 0.25 * std::exp(-0.5 * std::pow(std::hypot(across, z - 6.0) - 2.0, 2) / 0.2);
      still.at<std::uint8_t>(y, x) = static_cast<std::uint8_t>(std::lround(std::max(0.0, light) * exposure));
    }
  }
  Point point;
  point.pressure_bar = calib::Quantity{5.0, 0.02, 1e9, {}};
  point.spray.still = still;
  point.spray.grain = vision::Grain{0.4, 0.02, 0.1, 0.1, 96, 40};
  run.points.push_back(std::move(point));
  return entry;
}

}  // namespace

TEST_CASE("one spray seen by two cameras gives the same picture, in millimetres and greys", "[src][side]") {
  const SideBySideEntry one = Seen("A", 12.0, 0.0, 200.0, "aa");
  const SideBySideEntry other = Seen("B", 8.5, 90.0, 120.0, "bb");
  const cv::Mat a = ComparableStill(one, 30.0, 22.0, 8.0);
  const cv::Mat b = ComparableStill(other, 30.0, 22.0, 8.0);
  REQUIRE(a.size() == b.size());
  CHECK(a.cols == 240);
  cv::Mat apart;
  cv::absdiff(a, b, apart);
  // Interpolation and eight bits: a step or two in the mean, more on the steepest slopes.
  CHECK(cv::mean(apart)[0] < 2.0);
  double most = 0.0;
  cv::minMaxLoc(apart, nullptr, &most);
  CHECK(most < 25.0);
  // The side at 10 mm below the exit stands 4 mm off its axis, at 8 px/mm; the exit is 6 % of 22 mm down.
  const int row = static_cast<int>(std::lround((0.06 * 22.0 + 10.0) * 8.0));
  int darkest = 150;
  for (int x = 121; x < 200; ++x)
    if (a.at<std::uint8_t>(row, x) < a.at<std::uint8_t>(row, darkest)) darkest = x;
  CHECK(std::abs(darkest - (120 + 32)) <= 1);
}

TEST_CASE("a hidden order names no element before its key", "[src][side]") {
  SideBySide what;
  what.entries = {Seen("Quince", 10.0, 0.0, 200.0, "f2"), Seen("Medlar", 10.0, 0.0, 200.0, "11")};
  what.at_bar = 5.0;
  const std::string open = RenderSideBySideHtml(what);
  CHECK(open.find("Element Quince") < open.find("Element Medlar"));
  what.hide_order = true;
  const std::string hidden = RenderSideBySideHtml(what);
  const std::size_t key = hidden.find("<summary>Key");
  REQUIRE(key != std::string::npos);
  CHECK(hidden.find("Quince") > key);
  CHECK(hidden.find("Medlar") > key);
  // By record, not as asked for: Medlar's comes first.
  CHECK(hidden.find("Medlar") < hidden.find("Quince"));
  CHECK(hidden == RenderSideBySideHtml(what));
  what.entries[1].run.px_per_mm.reset();
  CHECK_THROWS_AS(RenderSideBySideHtml(what), calib::InputError);
  what.entries[1] = Seen("Medlar", 10.0, 0.0, 200.0, "11");
  what.entries[1].run.clip.illumination = vision::Illumination::kFrontlit;
  CHECK_THROWS_AS(RenderSideBySideHtml(what), calib::InputError);
}

TEST_CASE("grain is ranked where rig and pressure are alike and u allows it, and only there",
          "[src][grain]") {
  const SideBySideEntry one = Seen("A", 10.0, 0.0, 200.0, "aa");
  SideBySideEntry other = Seen("B", 10.0, 0.0, 200.0, "bb");
  const auto compared = [&] {
    return CompareGrain(one.run, one.run.points[0], other.run, other.run.points[0]);
  };
  vision::Grain& grain = *other.run.points[0].spray.grain;
  // ln(0.4 / 0.38) = 0.051; 1.96 hypot(0.05, 0.053) = 0.142.
  grain.index = 0.38;
  CHECK(compared().rank == GrainRank::kCannotRank);
  CHECK(compared().words.find("within what their u allows") != std::string::npos);
  grain.index = 0.3;
  CHECK(compared().rank == GrainRank::kFirstCoarser);
  // 4/3, and e^(+-1.96 hypot(0.05, 0.0667)) about it, by hand.
  CHECK(compared().words == "coarser by 1.33 (95 %: 1.13 to 1.57)");
  other.run.px_per_mm->value = 12.0;
  CHECK(compared().rank == GrainRank::kCannotRank);
  CHECK(compared().words.find("scales differ") != std::string::npos);
  other.run.px_per_mm->value = 10.0;
  other.run.points[0].pressure_bar->value = 6.0;
  CHECK(compared().words.find("pressure drops differ") != std::string::npos);
  other.run.points[0].spray.grain.reset();
  CHECK(compared().words.find("missing") != std::string::npos);
}
