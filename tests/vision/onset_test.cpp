// When the valve opens, and whether the nozzle is in focus, on drawn pictures.
#include <algorithm>
#include <cmath>
#include <cstdint>
#include <optional>

#include <catch2/catch.hpp>
#include <opencv2/imgproc.hpp>

#include <vision/onset.h>
#include <vision/refusal.h>

using namespace conebook;

namespace {

constexpr int kSide = 240;
constexpr int kFirstSpray = 20;

vision::ClipModel Model() {
  vision::ClipModel model;
  model.reading.width_px = kSide;
  model.reading.height_px = kSide;
  model.exit_px = {120.0, 60.0};
  model.exit_diameter_px = 16.0;
  for (int code = 0; code < 256; ++code) model.light.push_back(static_cast<float>(code) / 255.0F);
  model.background = cv::Mat1f(kSide, kSide, 0.7F);
  return model;
}

bool InCone(int x, int y) {
  return y > 60 && std::abs(x - 120) < 8 + (y - 60) / 2;
}

// Still wall; below the exit single places flicker by so many code values; then a cone takes so many away.
std::optional<std::int64_t> FirstSprayFrame(int flicker, int cone) {
  const vision::ClipModel model = Model();
  vision::OnsetWatch watch(model, {});
  for (int k = 0; k < 60; ++k) {
    cv::Mat1b picture(kSide, kSide, std::uint8_t{180});
    for (int y = 0; y < kSide; ++y) {
      for (int x = 0; x < kSide; ++x) {
        if (!InCone(x, y)) continue;
        if (k >= kFirstSpray) picture(y, x) = static_cast<std::uint8_t>(180 - cone);
        if ((x + 3 * y + k) % 5 == 0) picture(y, x) = static_cast<std::uint8_t>(picture(y, x) - flicker);
      }
    }
    watch.Add({picture.data, static_cast<std::ptrdiff_t>(picture.step)});
  }
  return watch.FirstSprayFrame();
}

// A round body above the exit, lit from the front and a side, as a lens of this blur shows it.
std::optional<double> BlurOfRoundBody(double blur_px) {
  vision::ClipModel model = Model();
  model.exit_px = {120.0, 120.0};
  for (int x = 0; x < kSide; ++x) {
    const double u = (x - 120) / 18.0;
    const double facing = std::sqrt(std::max(0.0, 1.0 - u * u));
    const double light = std::abs(u) < 1.0 ? 0.12 + 0.7 * std::max(0.0, 0.8 * facing + 0.6 * u) : 0.02;
    model.background(cv::Rect(x, 0, 1, 120)) = static_cast<float>(light);
    model.background(cv::Rect(x, 120, 1, kSide - 120)) = 0.02F;
  }
  cv::GaussianBlur(model.background, model.background, cv::Size(), blur_px);
  return vision::BodyBlurPx(model);
}

}  // namespace

TEST_CASE("a codec that flickers by a code value before the valve opens hides no opening",
          "[vision][onset]") {
  CHECK(FirstSprayFrame(0, 60) == kFirstSpray);
  CHECK(FirstSprayFrame(1, 60) == kFirstSpray);
}

TEST_CASE("a spray that is on from the first frame, and gets a little stronger, is no opening",
          "[vision][onset]") {
  CHECK_FALSE(FirstSprayFrame(12, 30));
}

// The edge of a step that a lens blurs by s is sqrt(2 pi) s wide, by its height over its steepest rise.
TEST_CASE("the nozzle's blur is that of its edge, not of its shading", "[vision][onset]") {
  for (const double blur_px : {0.8, 1.5, 3.0}) {
    INFO("blur " << blur_px << " px");
    const std::optional<double> seen = BlurOfRoundBody(blur_px);
    REQUIRE(seen);
    CHECK(*seen == Approx(2.507 * blur_px).epsilon(0.3));
  }
}
