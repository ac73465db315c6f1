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

vision::DropSpeedResult Speed(const render::DropFlight& flight, double drops, bool unrelated = false) {
  render::DropField field;
  field.width_px = field.height_px = 400;
  field.drops = drops;
  field.median_px = 10.0;
  const vision::BlurredDiscs discs;
  std::vector<vision::ThreeFrames> groups;
  std::vector<std::int64_t> first_frame;
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
    constexpr std::int64_t kLongAfter = 1000000;
    first_frame.push_back(kLongAfter * g);
  }
  return vision::TrackDrops(groups, first_frame, field.width_px, field.height_px, 1e-4, {});
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

TEST_CASE("a drop that stays in view over many frames counts once for the u of the speed",
          "[vision][drops][speed]") {
  render::DropField field;
  field.width_px = field.height_px = 300;
  field.drops = 22.0;
  field.median_px = 10.0;
  const render::DropFlight flight{5.0, -5.0, 0.1};
  render::DropField clean = field;
  clean.noise = 0.0;
  const cv::Mat1f background = render::RenderNoDrops(clean, 1, 0);
  const vision::BlurredDiscs discs;
  constexpr int kPictures = 20;
  double squares = 0.0;
  constexpr int kClips = 6;
  for (int clip = 0; clip < kClips; ++clip) {
    std::vector<vision::FrameDrops> found;
    for (const cv::Mat1f& picture : render::RenderFlight(field, flight, 90, clip, kPictures))
      found.push_back(vision::FindDrops(cv::Mat1f(1.0F - picture / background), 1.0, discs, {}));
    std::vector<vision::ThreeFrames> groups;
    std::vector<std::int64_t> first_frame;
    for (std::size_t f = 0; f + 2 < found.size(); ++f) {
      groups.push_back({found[f], found[f + 1], found[f + 2]});
      first_frame.push_back(static_cast<std::int64_t>(f));
    }
    const vision::DropSpeedResult result = vision::TrackDrops(groups, first_frame, 300, 300, 1e-3, {});
    INFO(result.why);
    REQUIRE(result.speed);
    // 22 in view, a sixtieth of that and of as many across coming in with each of 19 pictures.
    CHECK(result.speed->tracks < 60);
    const double z = (result.speed->speed_px - std::hypot(5.0, 5.0)) / result.speed->u_speed_px;
    squares += z * z;
  }
  // Sum of squares of normal deviates: beyond 16.8 in one of a hundred (chi-square of 6).
  CHECK(squares < 16.8);
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
