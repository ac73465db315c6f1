// Grain, mist and ligament share of made-up shadows whose make is known: spots and streaks thrown at
// random, so that each reading has its value by Campbell's theorem (headers), worked out here by hand.
#include <algorithm>
#include <cmath>
#include <cstdint>
#include <numbers>
#include <random>
#include <string>
#include <utility>
#include <vector>

#include <catch2/catch.hpp>

#include <vision/grain.h>
#include <vision/ligament_share.h>
#include <vision/mist_share.h>

using namespace conebook;

namespace {

constexpr int kWidth = 480, kHeight = 350;
constexpr double kExitX = 240.0, kExitY = 12.0, kSlope = 0.3, kBreakup = 130.0, kExitPx = 8.0;

// A shadow of one kind of thing: Gaussian across, of even depth along its length, which lies along a ray from
// the exit.
struct Thing {
  double peak = 0.4, sd_px = 1.2, length_px = 0.0;
  double number = 0.01;                    // a square pixel; on rays: a pixel of length down the spray
  bool on_rays = false;                    // as many on every length, at one speed from the exit
  double from_px = 20.0, to_px = kHeight;  // below the exit: where its middle may lie
  double SignalPx2() const {               // that it adds, over its area
    return length_px > 0.0 ? peak * sd_px * std::sqrt(2.0 * std::numbers::pi) * length_px
                           : 2.0 * std::numbers::pi * sd_px * sd_px * peak;
  }
};

vision::ClipModel Model() {
  vision::ClipModel model;
  model.format.stored_width_px = kWidth;
  model.format.stored_height_px = kHeight;
  model.format.bits = 16;
  model.format.full_range = true;
  model.reading = vision::MakeReadingFrame(model.format, 0.0);
  for (int code = 0; code < 65536; ++code) model.light.push_back(static_cast<float>(code) / 65535.0F);
  model.background = cv::Mat1f(kHeight, kWidth, 0.7F);
  model.illumination = vision::Illumination::kBacklit;
  model.exit_px = {kExitX, kExitY};
  model.exit_diameter_px = kExitPx;
  model.guess = {vision::GuessLine{kExitX, -kSlope}, vision::GuessLine{kExitX, kSlope}};
  return model;
}

void Add(const Thing& thing, double x0, double y0, cv::Mat1f& shadow) {
  // Along the ray from the exit.
  const double dx = x0 - kExitX, dy = y0 - kExitY, r = std::hypot(dx, dy);
  const double half = 0.5 * thing.length_px, reach = 4.0 * thing.sd_px + 1.0;
  const double way_y = half * dy / r, way_x = half * std::abs(dx) / r;
  for (int y = std::max(0, static_cast<int>(y0 - way_y - reach));
       y <= std::min(kHeight - 1, static_cast<int>(y0 + way_y + reach)); ++y) {
    for (int x = std::max(0, static_cast<int>(x0 - way_x - reach));
         x <= std::min(kWidth - 1, static_cast<int>(x0 + way_x + reach)); ++x) {
      const double along = ((x - x0) * dx + (y - y0) * dy) / r;
      const double across = ((x - x0) * dy - (y - y0) * dx) / r;
      double part = std::exp(-0.5 * across * across / (thing.sd_px * thing.sd_px));
      if (half > 0.0) {
        part *= std::clamp(half + 0.5 - std::abs(along), 0.0, 1.0);
      } else {
        part *= std::exp(-0.5 * along * along / (thing.sd_px * thing.sd_px));
      }
      shadow(y, x) += static_cast<float>(thing.peak * part);
    }
  }
}

struct Read {
  vision::GrainResult grain;
  vision::ShareResult mist;
  vision::ShareResult ligaments;
};

// `veil`: absorbance of mist, even throughout the spray; `haze`: even throughout the picture.
Read ReadThings(const std::vector<Thing>& things, double noise = 0.006, int frames = 48, double veil = 0.0,
                double haze = 0.0) {
  const vision::ClipModel model = Model();
  std::vector<std::int64_t> numbers;
  for (int k = 0; k < frames; ++k) numbers.push_back(k);
  vision::GrainReader grain({&model, numbers, kBreakup}, {});
  vision::MistReader mist({&model, numbers, kBreakup}, {});
  vision::LigamentReader ligaments({&model, numbers, kBreakup}, {});
  std::vector<vision::FrameVisit> visits = grain.Visits();
  for (vision::FrameVisit& visit : mist.Visits()) visits.push_back(std::move(visit));
  for (vision::FrameVisit& visit : ligaments.Visits()) visits.push_back(std::move(visit));
  std::mt19937 random(3);
  std::normal_distribution<float> normal(0.0F, static_cast<float>(noise));
  std::uniform_real_distribution<double> even;
  std::vector<std::uint16_t> code(static_cast<std::size_t>(kWidth) * kHeight);
  cv::Mat1f even_veil(kHeight, kWidth, static_cast<float>(haze));
  for (int y = 0; y < kHeight; ++y) {
    for (int x = 0; x < kWidth; ++x)
      if (std::abs(x - kExitX) < kSlope * (y - kExitY)) even_veil(y, x) += static_cast<float>(veil);
  }
  for (int k = 0; k < frames; ++k) {
    cv::Mat1f shadow = even_veil.clone();
    for (const Thing& thing : things) {
      const double wide = kSlope * thing.to_px;
      const double across = thing.on_rays ? 1.0 : 2.0 * wide;
      const int count =
          std::poisson_distribution<int>(thing.number * across * (thing.to_px - thing.from_px))(random);
      for (int i = 0; i < count; ++i) {
        const double u = 2.0 * even(random) - 1.0;
        const double z = thing.from_px + (thing.to_px - thing.from_px) * even(random);
        const double x = u * (thing.on_rays ? kSlope * z : wide);
        if (std::abs(x) < kSlope * z) Add(thing, kExitX + x, kExitY + z, shadow);
      }
    }
    for (int y = 0; y < kHeight; ++y) {
      for (int x = 0; x < kWidth; ++x) {
        const float light = 0.7F * std::exp(-shadow(y, x)) * (1.0F + normal(random));
        code[static_cast<std::size_t>(y * kWidth + x)] =
            static_cast<std::uint16_t>(std::lround(std::clamp(light, 0.0F, 1.0F) * 65535.0F));
      }
    }
    vision::LumaFrame frame;
    frame.index = k;
    frame.data = reinterpret_cast<const std::uint8_t*>(code.data());
    frame.stride_bytes = 2 * kWidth;
    for (const vision::FrameVisit& visit : visits)
      if (visit.frame == k) visit.take(frame);
  }
  return {grain.Result(), mist.Result(), ligaments.Result()};
}

}  // namespace

TEST_CASE("the grain of spots and streaks is the root of their shadow, also where streaks outrun a patch",
          "[vision][grain]") {
  // All alike: E[s^2] / E[s] = s. Patches are 0.35 x 130 = 46 px long; streaks up to 60 px.
  for (const double length_px : {0.0, 60.0}) {
    Thing drop;
    drop.length_px = length_px;
    drop.peak = length_px > 0.0 ? 0.4 * drop.sd_px * std::sqrt(2.0 * std::numbers::pi) / length_px : 0.4;
    drop.number = 0.02;
    const Read read = ReadThings({drop});
    INFO("streaks of " << length_px << " px");
    REQUIRE(read.grain.grain);
    const double expected = std::sqrt(drop.SignalPx2()) / kExitPx;
    CHECK(read.grain.grain->u < 0.1 * expected);
    CHECK(std::abs(read.grain.grain->index - expected) < 3.0 * read.grain.grain->u + 0.02 * expected);
  }
}

TEST_CASE("mist is told by its share of the mean shadow, drops that stand out by none of theirs",
          "[vision][grain]") {
  Thing drop;
  drop.peak = 1.0;
  drop.number = 0.012;
  // By the header a spot of peak p leaves (e^-tp - e^-2tp) / (t p), t = 8; an even veil all of itself.
  const auto left = [](double peak) {
    return (std::exp(-8.0 * peak) - std::exp(-16.0 * peak)) / (8.0 * peak);
  };
  Thing faint;
  faint.peak = 0.06;
  faint.number = 0.1;
  const double of_drops = drop.number * drop.SignalPx2();
  for (const double share : {0.0, 0.3, 0.7}) {
    INFO("share " << share);
    const Read read = ReadThings({drop}, 0.015, 32, share / (1.0 - share) * of_drops);
    INFO(read.mist.why);
    REQUIRE(read.mist.share);
    CHECK(std::abs(read.mist.share->value - share - (1.0 - share) * left(drop.peak)) <
          0.02 + 2.5 * read.mist.share->u);
    CHECK(read.mist.share->u < 0.05);
  }
  const Read read = ReadThings({drop, faint}, 0.015, 32);
  REQUIRE(read.mist.share);
  const double of_faint = faint.number * faint.SignalPx2();
  const double expected = (of_faint * left(faint.peak) + of_drops * left(drop.peak)) / (of_faint + of_drops);
  CHECK(expected > 0.15);
  CHECK(std::abs(read.mist.share->value - expected) < 0.02 + 2.5 * read.mist.share->u);
}

TEST_CASE("a mist share is withheld with a reason", "[vision][grain]") {
  const Read nothing = ReadThings({}, 0.02, 26);
  CHECK_FALSE(nothing.mist.share);
  CHECK(nothing.mist.why.find("mean signal") != std::string::npos);
  Thing drop;
  drop.peak = 1.0;
  drop.number = 0.4;  // five on each pixel
  const Read crowded = ReadThings({drop}, 0.006, 26);
  CHECK_FALSE(crowded.mist.share);
  CHECK(crowded.mist.why.find("hardly a pixel") != std::string::npos);
}

TEST_CASE("ligaments are told by the shadow that they cast beyond the drops'", "[vision][grain]") {
  Thing drop;
  drop.peak = 0.8;
  drop.on_rays = true;
  drop.number = 2.0;
  Thing thread;  // over all of 1.1 to 1.5 breakup lengths, 143 to 195 px, and gone before 1.6
  thread.peak = 0.8;
  thread.length_px = 10.0;
  thread.on_rays = true;
  thread.from_px = 136.0;
  thread.to_px = 202.0;
  for (const double share : {0.0, 0.25, 0.6}) {
    INFO("share " << share);
    thread.number = share / (1.0 - share) * drop.number * drop.SignalPx2() / thread.SignalPx2();
    const Read read = ReadThings({drop, thread}, 0.015);
    INFO(read.ligaments.why);
    REQUIRE(read.ligaments.share);
    CHECK(std::abs(read.ligaments.share->value - share) < 2.5 * read.ligaments.share->u);
    CHECK(read.ligaments.share->u < 0.06);
  }
}

TEST_CASE("haze in the room, alike in and beside the spray, casts no share of ligaments", "[vision][grain]") {
  Thing drop, thread;
  drop.on_rays = thread.on_rays = true;
  drop.number = 2.0;
  thread.length_px = 10.0;
  thread.from_px = 136.0;
  thread.to_px = 202.0;
  thread.number = 0.2;
  const Read clear = ReadThings({drop, thread}), hazy = ReadThings({drop, thread}, 0.006, 48, 0.0, 0.2);
  REQUIRE((clear.ligaments.share && hazy.ligaments.share));
  CHECK(clear.ligaments.share->value > 0.1);
  CHECK(std::abs(clear.ligaments.share->value - hazy.ligaments.share->value) < 0.02);
}

TEST_CASE("a ligament share is withheld with a reason", "[vision][grain]") {
  const Read nothing = ReadThings({}, 0.02, 26);
  CHECK_FALSE(nothing.ligaments.share);
  CHECK(nothing.ligaments.why.find("mean signal") != std::string::npos);
  Thing growing;  // evenly over the picture: more and more down the spray
  growing.number = 0.02;
  const Read grows = ReadThings({growing});
  CHECK_FALSE(grows.ligaments.share);
  CHECK(grows.ligaments.why.find("grows along it") != std::string::npos);
  // The picture ends before the drops have been seen for long enough.
  const vision::ClipModel model = Model();
  const vision::LigamentReader near_end({&model, {0, 1, 2}, 190.0}, {});
  CHECK(near_end.Result().why.find("in view") != std::string::npos);
  vision::ClipModel front = Model();
  front.illumination = vision::Illumination::kFrontlit;
  const vision::LigamentReader lit({&front, {0, 1, 2}, kBreakup}, {});
  CHECK(lit.Result().why.find("back light") != std::string::npos);
}

// Tone mapping bends light by place: no curve gives it back (common practice, no source).
TEST_CASE("from a tone-mapped clip no product of absorbance is read, and each says why", "[vision][grain]") {
  vision::ClipModel mapped = Model();
  mapped.format.transfer = vision::Transfer::kHdr;
  const std::vector<std::int64_t> frames{0, 1, 2};
  for (const std::string& why : {vision::GrainReader({&mapped, frames, kBreakup}, {}).Result().why,
                                 vision::MistReader({&mapped, frames, kBreakup}, {}).Result().why,
                                 vision::LigamentReader({&mapped, frames, kBreakup}, {}).Result().why}) {
    CHECK(why.find("tone-mapped") != std::string::npos);
  }
}
