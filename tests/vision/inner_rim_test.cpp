// Sides of a cone drawn in closed form, a stretch of them followed inside of the rim.
#include "vision/inner_rim.h"

#include <cmath>
#include <vector>

#include <catch2/catch.hpp>

using namespace conebook::vision;

namespace {

constexpr double kExitRadiusPx = 6.0, kTan = 0.44;
constexpr int kFirstPx = 10, kLastPx = 250, kJumpPx = 104;

// The rim, and `inner` of its opening down to the jump.
std::vector<RimPoint> Side(double inner, double tan = kTan) {
  std::vector<RimPoint> side;
  unsigned state = 11;
  for (int dy = kFirstPx; dy <= kLastPx; ++dy) {
    state = state * 1664525U + 1013904223U;
    const double jitter = 0.6 * (state / 4294967296.0 - 0.5);
    side.push_back({static_cast<double>(dy),
                    std::hypot(kExitRadiusPx, dy * tan * (dy < kJumpPx ? inner : 1.0)) + jitter});
  }
  return side;
}

std::vector<char> Inside(const std::vector<RimPoint>& side, const std::vector<RimPoint>& other) {
  return InsideOfRim(side, other, kExitRadiusPx, InnerRimOptions{});
}

}  // namespace

TEST_CASE("where the lamp's mirror image is followed before the rim shows, only the rim counts",
          "[vision][rim]") {
  const std::vector<RimPoint> side = Side(0.55);
  const std::vector<char> inside = Inside(side, Side(1.0));
  REQUIRE(inside.size() == side.size());
  // Near the exit both lie less than three pixels apart.
  for (std::size_t i = 20; i < side.size(); ++i) CHECK((inside[i] != 0) == (side[i].dy_px < kJumpPx));
}

TEST_CASE("a rim lost for a stretch counts above and below it", "[vision][rim]") {
  std::vector<RimPoint> side = Side(1.0);
  for (RimPoint& p : side) {
    if (p.dy_px >= 60.0 && p.dy_px < kJumpPx) p.out_px *= 0.6;
  }
  const std::vector<char> inside = Inside(side, Side(1.0));
  REQUIRE(inside.size() == side.size());
  for (std::size_t i = 0; i < side.size(); ++i)
    CHECK((inside[i] != 0) == (side[i].dy_px >= 60.0 && side[i].dy_px < kJumpPx));
}

TEST_CASE("rims that show from the exit on lie inside of nothing, of narrow and of wide cones",
          "[vision][rim]") {
  for (const double tan : {0.1, kTan, 1.5}) CHECK(Inside(Side(1.0, tan), Side(1.0, tan)).empty());
}

TEST_CASE("a lean of the spray is no jump", "[vision][rim]") {
  CHECK(Inside(Side(1.0, 0.40), Side(1.0, 0.48)).empty());
  CHECK_FALSE(Inside(Side(0.55, 0.40), Side(1.0, 0.48)).empty());
}

TEST_CASE("mist beside the spray that opens wider than its other side is no rim", "[vision][rim]") {
  // From the jump on, the edge of the mist; above it the sheet's own, as on the other side.
  CHECK(Inside(Side(0.55), Side(1.0, 0.55 * kTan)).empty());
}

TEST_CASE("what stands out beside the spray and does not come from its exit is no rim", "[vision][rim]") {
  std::vector<RimPoint> side = Side(1.0);
  for (RimPoint& p : side) {
    if (p.dy_px >= kJumpPx) p.out_px = 1.5 * kTan * kJumpPx;  // hangs straight down
  }
  CHECK(Inside(side, Side(1.0)).empty());
}

TEST_CASE("a rim that shows in a few rows only decides nothing", "[vision][rim]") {
  std::vector<RimPoint> side = Side(0.55);
  side.resize(static_cast<std::size_t>(kJumpPx - kFirstPx + 12));
  CHECK(Inside(side, Side(1.0)).empty());
}
