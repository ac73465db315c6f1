// How evenly drops are spread: sprays drawn from a known extinction, and rendered ones with a planted
// imbalance and a planted ray.
#include <cmath>
#include <filesystem>
#include <numbers>
#include <random>
#include <string>
#include <utility>
#include <vector>

#include <catch2/catch.hpp>

#include <vision/evenness_reader.h>
#include <vision/spray_measurement.h>
#include <vision/transfer.h>

#include "small_clip.h"

using namespace conebook;
using namespace conebook::tests;

namespace {

constexpr double kExitY = 20.0, kExitX = 200.0, kSlope = 0.45, kPxPerMm = 8.0;
constexpr int kWidth = 400, kHeight = 320;

// A spray drawn from its extinction, alike along rays from the exit: f(r / z) = a ring, over a filling.
struct Drawn {
  double ring = 0.4, width = 0.06, filling = 0.0;  // of r / z
  double uneven = 0.0;                             // f times 1 + this cos(angle)
  double ray_at = 0.0, ray = 0.0;  // absorbance times 1 + this, in a narrow ray of the picture
  double depth = 0.02;             // 1/px at the ring
  double noise = 0.01;             // of full scale

  double Wall(double s) const {
    return std::exp(-std::pow((s - ring) / width, 2)) + filling / (1.0 + std::exp((s - ring) / 0.02));
  }
  // Along the line of sight at x / z, by summing; in units of depth * z.
  double Absorbance(double s) const {
    constexpr double kStep = 0.0025;
    double sum = 0.0;
    for (double y = -0.9; y < 0.9; y += kStep) {
      const double r = std::hypot(s, y);
      sum += Wall(r) * (1.0 + (r > 0.0 ? uneven * s / r : 0.0)) * kStep;
    }
    return sum * (1.0 + ray * std::exp(-0.5 * std::pow((s - ray_at) / 0.012, 2)));
  }
  double Peak() const {
    double best = 0.0;
    for (double r = 0.0; r < 0.7; r += 0.0005)
      if (Wall(r) > Wall(best)) best = r;
    return best;
  }
  // 1 - mean within half the peak's radius / f there.
  double Hollowness() const {
    double sum = 0.0, area = 0.0;
    for (double r = 0.0005; r < 0.5 * Peak(); r += 0.001) {
      sum += Wall(r) * r;
      area += r;
    }
    return 1.0 - sum / area / Wall(Peak());
  }
};

vision::ClipModel Model(vision::Transfer transfer) {
  vision::ClipModel model;
  model.format.stored_width_px = kWidth;
  model.format.stored_height_px = kHeight;
  model.format.bits = 16;
  model.format.full_range = true;
  model.format.transfer = transfer;
  model.reading = vision::MakeReadingFrame(model.format, 0.0);
  model.light.resize(65536);
  for (std::size_t code = 0; code < model.light.size(); ++code)
    model.light[code] = static_cast<float>(code) / 65535.0F;
  model.background = cv::Mat1f(kHeight, kWidth, 0.7F);
  model.field = cv::Mat1f(kHeight, kWidth, 1.0F / 0.7F);
  model.illumination = vision::Illumination::kBacklit;
  model.exit_px = {kExitX, kExitY};
  return model;
}

vision::EvennessResult ReadDrawn(const Drawn& drawn, vision::Transfer transfer = vision::Transfer::kLinear) {
  const vision::ClipModel model = Model(transfer);
  vision::EvennessRequest request;
  request.model = &model;
  request.side = {vision::GuessLine{kExitX, -kSlope}, vision::GuessLine{kExitX, kSlope}};
  request.breakup_px = 120.0;
  request.px_per_mm = kPxPerMm;
  request.u_px_per_mm = 0.02;
  for (int k = 0; k < 40; ++k) request.frames.push_back(k);
  vision::EvennessReader reader(request, {});
  std::vector<double> of_part;
  constexpr int kParts = 2000;  // of s from -1 to 1
  for (int i = 0; i <= kParts; ++i) of_part.push_back(drawn.Absorbance(2.0 * i / kParts - 1.0));
  std::mt19937 random(7);
  std::normal_distribution<double> normal(0.0, 1.0);
  std::vector<std::uint16_t> code(static_cast<std::size_t>(kWidth) * kHeight);
  for (int k = 0; k < 40; ++k) {
    const double flicker = 1.0 + 0.15 * normal(random);  // of the whole spray
    for (int y = 0; y < kHeight; ++y) {
      for (int x = 0; x < kWidth; ++x) {
        const double z = std::max(1.0, y - kExitY);
        const double s = std::clamp((x - kExitX) / z, -1.0, 1.0);
        const double absorbance = drawn.depth * 150.0 * flicker *
                                  of_part[static_cast<std::size_t>(std::lround((s + 1.0) * 0.5 * kParts))];
        const double light = 0.7 * std::exp(-absorbance) + drawn.noise * normal(random);
        code[static_cast<std::size_t>(y * kWidth + x)] =
            static_cast<std::uint16_t>(std::lround(std::clamp(light, 0.0, 1.0) * 65535.0));
      }
    }
    vision::LumaFrame frame;
    frame.index = k;
    frame.data = reinterpret_cast<const std::uint8_t*>(code.data());
    frame.stride_bytes = 2 * kWidth;
    reader.Take(frame);
  }
  return reader.Result();
}

void Tell(const vision::Evenness& evenness) {
  for (const vision::Streak& streak : evenness.streaks)
    UNSCOPED_INFO("streak at " << streak.angle_deg << ": " << streak.strength.value << " u "
                               << streak.strength.u);
}

vision::SprayMeasurement Measure(const std::string& clip) {
  const vision::ClipReading reading = vision::ReadClip(clip, ViewOfClip(), {});
  REQUIRE_FALSE(reading.Rejected());
  vision::SprayMeasurement m = vision::MeasureSpray(reading, ViewOfClip(), {});
  for (const calib::Flag& flag : m.flags) UNSCOPED_INFO(flag.code << ": " << flag.message);
  REQUIRE(m.points.size() == 1);
  return m;
}

const std::string kFrames =
    "half_angle_deg=22 breakup_mm=14 ligament_reach=0.2 frames=46 drops_per_mm=400 d32_um=110 ";

}  // namespace

TEST_CASE("a drawn hollow spray gives back where its wall is and how empty it is", "[vision][evenness]") {
  for (const double filling : {0.0, 0.3}) {
    Drawn drawn;
    drawn.filling = filling;
    INFO("filling " << filling);
    const vision::EvennessResult result = ReadDrawn(drawn);
    REQUIRE(result.evenness);
    REQUIRE(result.evenness->profile);
    const vision::ExtinctionProfile& profile = *result.evenness->profile;
    // Two of its own u, which is 2 % of the radius and 0.05 at most.
    const double true_deg = std::atan(drawn.Peak()) * 180.0 / std::numbers::pi;
    CHECK(std::abs(profile.peak_angle_deg.value - true_deg) < 2.0 * profile.peak_angle_deg.u);
    CHECK(profile.peak_angle_deg.u < 0.02 * true_deg);
    CHECK(profile.peak_radius_mm.value == Approx(drawn.Peak() * result.evenness->at_mm).epsilon(0.02));
    CHECK(std::abs(profile.hollowness.value - drawn.Hollowness()) < 2.0 * profile.hollowness.u + 0.01);
    CHECK(profile.hollowness.u < 0.06);
    CHECK_FALSE(profile.peak_on_axis);
    // Extinction at the ring: what was drawn, 1/px times px/mm, where rows at 150 px below the exit are as
    // drawn.
    double largest = 0.0;
    for (const double f : profile.extinction_per_mm) largest = std::max(largest, f);
    CHECK(largest ==
          Approx(drawn.Wall(drawn.Peak()) * drawn.depth * 150.0 / result.evenness->at_mm).epsilon(0.1));
    CHECK(result.evenness->streaks.empty());
    CHECK(std::abs(result.evenness->balance.value) < 2.0 * result.evenness->balance.u + 0.002);
  }
}

TEST_CASE("more drops on one side are its balance, exactly two over pi of their harmonic",
          "[vision][evenness]") {
  for (const double uneven : {0.3, -0.2}) {
    Drawn drawn;
    drawn.uneven = uneven;
    const vision::EvennessResult result = ReadDrawn(drawn);
    REQUIRE(result.evenness);
    const calib::Quantity& balance = result.evenness->balance;
    CHECK(balance.value == Approx(2.0 / std::numbers::pi * uneven).epsilon(0.03));
    CHECK(std::abs(balance.value) > 4.0 * balance.u);
    CHECK(result.evenness->streaks.empty());
  }
}

TEST_CASE("a ray that is there throughout is a streak, with its place and strength", "[vision][evenness]") {
  Drawn drawn;
  drawn.ray = 0.35;
  drawn.ray_at = -0.17;
  const vision::EvennessResult result = ReadDrawn(drawn);
  REQUIRE(result.evenness);
  Tell(*result.evenness);
  REQUIRE(result.evenness->streaks.size() == 1);
  const vision::Streak& streak = result.evenness->streaks[0];
  CHECK(streak.angle_deg == Approx(std::atan(-0.17) * 180.0 / std::numbers::pi).margin(0.6));
  // A cell is as wide as the ray's sd: some of its height is lost in the mean over the cell.
  CHECK(streak.strength.value == Approx(0.31).margin(0.05));
  drawn.ray = -0.3;
  const vision::EvennessResult gap = ReadDrawn(drawn);
  REQUIRE(gap.evenness);
  REQUIRE(gap.evenness->streaks.size() == 1);
  CHECK(gap.evenness->streaks[0].strength.value < -0.2);
}

TEST_CASE("without linear light there is no profile, and a reason", "[vision][evenness]") {
  const vision::EvennessResult shown = ReadDrawn({}, vision::Transfer::kDisplay);
  REQUIRE(shown.evenness);
  CHECK_FALSE(shown.evenness->profile);
  CHECK(shown.evenness->no_profile.find("tone curve") != std::string::npos);
  const vision::EvennessResult mapped = ReadDrawn({}, vision::Transfer::kHdr);
  CHECK_FALSE(mapped.evenness);
  CHECK(mapped.why.find("tone-mapped") != std::string::npos);
  Drawn faint;
  faint.depth = 2e-5;
  CHECK_FALSE(ReadDrawn(faint).evenness);
}

// The drops of a rendered cone fly on straight lines at its half angle, scattered by a degree and more.
TEST_CASE("a rendered hollow cone has its drops at its own angle", "[vision][evenness]") {
  const std::filesystem::path clip =
      Clip("even", kFrames + "codec=frames16 container=png drop_scatter_deg=1.5").parent_path() / "clip";
  const vision::SprayMeasurement m = Measure(clip.string());
  REQUIRE(m.points[0].evenness);
  const vision::Evenness& evenness = *m.points[0].evenness;
  INFO(evenness.no_profile);
  REQUIRE(evenness.profile);
  CHECK(evenness.profile->peak_angle_deg.value == Approx(22.0).margin(1.2));
  CHECK(std::abs(evenness.profile->peak_angle_deg.value - 22.0) <
        3.0 * evenness.profile->peak_angle_deg.u + 0.5);
  CHECK(evenness.profile->hollowness.value > 0.85);
  CHECK(std::abs(evenness.balance.value) < 3.0 * evenness.balance.u);
  CHECK(evenness.streaks.empty());
}

TEST_CASE("a planted imbalance and a planted ray are found in a rendered clip", "[vision][evenness]") {
  const vision::SprayMeasurement uneven = Measure(Clip("uneven", kFrames + "drop_uneven=-0.4").string());
  REQUIRE(uneven.points[0].evenness);
  const calib::Quantity& balance = uneven.points[0].evenness->balance;
  CHECK(std::abs(balance.value - 2.0 / std::numbers::pi * -0.4) < 3.0 * balance.u);
  CHECK(balance.value < -4.0 * balance.u);
  CHECK_FALSE(uneven.points[0].evenness->profile);  // a camera's video

  const vision::SprayMeasurement ray =
      Measure(Clip("ray", kFrames + "drop_ray_share=0.06 drop_ray_deg=60 drop_scatter_deg=1.5").string());
  REQUIRE(ray.points[0].evenness);
  Tell(*ray.points[0].evenness);
  REQUIRE(ray.points[0].evenness->streaks.size() == 1);
  // On the cone at 60 degrees from the picture's right: at tan(22) cos(60) of the axial way.
  const double at_deg = std::atan(std::tan(22.0 * std::numbers::pi / 180.0) * 0.5) * 180.0 / std::numbers::pi;
  CHECK(ray.points[0].evenness->streaks[0].angle_deg == Approx(at_deg).margin(1.5));
  CHECK(ray.points[0].evenness->streaks[0].strength.value > 0.2);
}
