// The light behind a spray that is on from the first frame: continued across what moves.
#include <cmath>

#include <catch2/catch.hpp>
#include <opencv2/core.hpp>

#include <vision/scene.h>

using namespace conebook;

namespace {

constexpr int kWidth = 320, kHeight = 300;
constexpr double kExitX = 160.0, kExitY = 24.0, kTan = 0.577;

vision::ClipModel Model() {
  vision::ClipModel model;
  model.reading.width_px = kWidth;
  model.reading.height_px = kHeight;
  model.exit_px = {kExitX, kExitY};
  model.exit_diameter_px = 12.0;
  model.format.compressed = true;
  return model;
}

// A wall that is brighter in its middle.
float Wall(int x) {
  return static_cast<float>(0.5 + 0.3 * (1.0 - std::pow((x - kExitX) / 160.0, 2.0)));
}

// A cone that takes light away and moves; beside it columns in which a codec's blocks move a third as much.
vision::SampleMotion Motion(bool flicker) {
  vision::SampleMotion motion{cv::Mat1f(kHeight, kWidth), cv::Mat1f(kHeight, kWidth, 5e-4F)};
  for (int y = 0; y < kHeight; ++y) {
    const double half = y > kExitY ? std::hypot(6.0, (y - kExitY) * kTan) : 0.0;
    for (int x = 0; x < kWidth; ++x) {
      const bool inside = std::abs(x - kExitX) < half;
      motion.median(y, x) = Wall(x) - (inside ? 0.2F : 0.0F);
      if (inside) motion.activity(y, x) = 9e-3F;
      if (flicker && !inside && (std::abs(x - 22) < 3 || std::abs(x - 298) < 3))
        motion.activity(y, x) = 3e-3F;
    }
  }
  return motion;
}

}  // namespace

TEST_CASE("the wall is continued across the cone, whatever flickers beside it", "[vision][background]") {
  for (const bool flicker : {false, true}) {
    INFO((flicker ? "blocks flicker" : "a still wall"));
    vision::ClipModel model = Model();
    vision::BackgroundFromSpray(Motion(flicker), true, model);
    // Straight from side to side: below what the wall's hump is there, but never as far as the picture's own
    // ends.
    for (const int y : {60, 100, 140}) {
      const double half = (y - kExitY) * kTan;
      const auto beside = static_cast<double>(Wall(static_cast<int>(kExitX + half + 30.0)));
      CHECK(static_cast<double>(model.background(y, 160)) > beside);
      CHECK(static_cast<double>(model.background(y, 160)) < 0.81);
      CHECK(model.background(y, 10) == Wall(10));
    }
  }
}

// Rows of drops that reach both ends of the picture say nothing of where the cone's sides are.
TEST_CASE("rows that move from end to end are no rows of the cone", "[vision][background]") {
  vision::SampleMotion motion = Motion(false);
  for (int y = 150; y < kHeight; ++y) motion.activity.row(y).setTo(9e-3F);
  vision::ClipModel model = Model();
  vision::BackgroundFromSpray(motion, true, model);
  CHECK(static_cast<double>(model.background(100, 160)) > 0.7);
}
