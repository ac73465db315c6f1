// Speeds of drops: rendered flights of known way, and those in which nobody could tell.
#include <cmath>
#include <cstdint>
#include <string>
#include <utility>
#include <vector>

#include <catch2/catch.hpp>
#include <render/drop_field.h>

#include <vision/drop_tracks.h>

using namespace conebook;

namespace {

constexpr double kLongAgo = 1e9;  // frames between groups of three: other drops

vision::DropSpeedResult Speed(const render::DropFlight& flight, double drops, bool unrelated = false,
                              double span_frames = kLongAgo) {
  render::DropField field;
  field.width_px = field.height_px = 400;
  field.drops = drops;
  field.median_px = 10.0;
  const vision::BlurredDiscs discs;
  std::vector<vision::ThreeFrames> groups;
  constexpr int kGroups = 8;
  render::DropField clean = field;
  clean.noise = 0.0;
  const cv::Mat1f background = render::RenderNoDrops(clean, 1, 0);
  for (int g = 0; g < kGroups; ++g) {
    vision::ThreeFrames three;
    std::vector<cv::Mat1f> pictures = render::RenderFlight(field, flight, 41, g, 3);
    if (unrelated) {
      for (int f = 1; f < 3; ++f)
        pictures[static_cast<std::size_t>(f)] = render::RenderFlight(field, flight, 41, 100 * f + g, 1)[0];
    }
    for (std::size_t f = 0; f < 3; ++f) {
      const cv::Mat1f shade(1.0F - pictures[f] / background);
      three[f] = vision::FindDrops(shade, 1.0, discs, {});
    }
    groups.push_back(std::move(three));
  }
  return vision::TrackDrops(groups, span_frames, field.width_px, field.height_px, 1e-4, {});
}

}  // namespace

TEST_CASE("drops that are followed from frame to frame give their speed", "[vision][drops][speed]") {
  const std::vector<std::pair<render::DropFlight, double>> flights{
      {{18.0, 0.0, 0.05}, 25.0},    // less than drops are apart
      {{70.0, -20.0, 0.03}, 25.0},  // about as far as drops are apart, but much the same way
      {{-6.0, 3.0, 0.1}, 40.0}};
  for (const auto& [flight, drops] : flights) {
    INFO("way " << flight.along_px << " px down");
    const vision::DropSpeedResult result = Speed(flight, drops);
    INFO(result.why);
    REQUIRE(result.speed);
    const double way = std::hypot(flight.along_px, flight.across_px);
    // Contours are good to a tenth of a pixel.
    CHECK(std::abs(result.speed->speed_px - way) < 2.5 * result.speed->u_speed_px + 0.1);
    CHECK(result.speed->u_speed_px < 0.03 * way + 0.1);
    CHECK(result.speed->along_px == Approx(flight.along_px).margin(0.03 * way + 0.1));
    CHECK(result.speed->across_px == Approx(flight.across_px).margin(0.03 * way + 0.1));
    // Scatter along the way is what the length shows; a search of a fifth of the way cuts nothing off.
    CHECK(result.speed->scatter_px == Approx(flight.scatter * way).epsilon(0.3).margin(0.15));
    CHECK(result.speed->tracks > 60);
    CHECK(result.speed->by_chance < 0.15);
    CHECK(result.speed->interval_s == 1e-4);
  }
}

TEST_CASE("the same drops seen again count once for the u of their speed", "[vision][drops][speed]") {
  const render::DropFlight flight{18.0, 0.0, 0.05};
  const vision::DropSpeedResult others = Speed(flight, 25.0);
  const vision::DropSpeedResult again = Speed(flight, 25.0, false, 7.0);
  REQUIRE(others.speed);
  REQUIRE(again.speed);
  CHECK(again.speed->speed_px == others.speed->speed_px);
  // Eight groups within 7 frames: 7 x 18 of 400 px of new drops go by, a third of a picture; and not eight,
  // of which the frames' gusts leave four values each.
  const double drops = others.speed->tracks / 8.0;
  CHECK(again.speed->u_speed_px / others.speed->u_speed_px ==
        Approx(std::sqrt(std::min(4.0, drops) * 8.0 / (drops * (1.0 + 7.0 * 18.0 / 400.0)))).epsilon(0.05));
}

TEST_CASE("drops that nobody could follow give no speed, and a reason", "[vision][drops][speed]") {
  const std::vector<std::pair<vision::DropSpeedResult, std::string>> cases{
      {Speed({18.0, 0.0, 0.05}, 25.0, true), "no way"},  // unrelated pictures
      {Speed({260.0, 0.0, 0.05}, 25.0), "no way"},       // out of the picture between frames
      {Speed({60.0, 0.0, 0.6}, 90.0), ""}};              // each its own way, close together
  for (const auto& [result, words] : cases) {
    CHECK_FALSE(result.speed);
    CHECK_FALSE(result.why.empty());
    CHECK(result.why.find(words) != std::string::npos);
  }
}
