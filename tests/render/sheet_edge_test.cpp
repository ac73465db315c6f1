#include <cmath>
#include <numbers>

#include <catch2/catch.hpp>
#include <render/exposure.h>
#include <render/long_time.h>
#include <render/scene.h>
#include <render/sheet_edge.h>

using namespace conebook::render;

namespace {
Scene Wavy(const char* exposure_s) {
  SceneOptions options;
  options.seed = 1005;
  options.group = "clean";
  options.set = {
      {"half_angle_deg", "40"}, {"wave_mm", "0.6"},         {"wave_growth", "2.5"}, {"lean_deg", "1"},
      {"px_per_mm", "12"},      {"exit_diameter_mm", "2"},  {"r0_mm", "1"},         {"breakup_mm", "25"},
      {"pressures_bar", "5"},   {"exposure_s", exposure_s}, {"drops_per_mm", "0"},  {"pulsation_deg", "0"}};
  return DrawScene(options, nullptr);
}
Instant At(const Scene& scene, int i) {
  return SteadyInstant(scene, 5.0, 0.1 * i, 1e5 + 171.3 * i);
}
}  // namespace

// The same waves, once as splatted patches at most a pixel apart, once by 32 angles a ring: two codes.
TEST_CASE("the sheet's edge by geometry moves as the outermost patches of its pictures do",
          "[render][sheet_edge]") {
  const Scene scene = Wavy("1e-6");
  const Spray spray(scene.spray);
  CameraSetting tilted;
  tilted.width = 901;
  tilted.height = 340;
  tilted.distance_mm = 300.0;
  tilted.focal_px = 3600.0;
  tilted.exit_px = {430.0, 12.0};
  tilted.axis_deg = 2.0;
  tilted.tilt_deg = 4.0;
  for (const Camera& camera : {MakeIdealCamera(901, 340, 12.0, {450.0, 10.0}), MakeCamera(tilted)}) {
    SheetEdge edge(spray, camera, scene.lean_deg, 1e-6, SteadyInstant(scene, 5.0, 0.0, 0.0), 20.0);
    std::vector<SheetExtent> extents(12);
    for (int i = 0; i < 12; ++i) {
      const Instant now = At(scene, i);
      edge.Add(now);
      FloatImage signal;
      extents[static_cast<std::size_t>(i)].Reset(camera, {}, 230);
      RenderSignal(scene, spray, camera, now, {}, false, {}, signal, &extents[static_cast<std::size_t>(i)]);
    }
    double sum2 = 0.0, both2 = 0.0;
    int n = 0;
    for (int i = 1; i < 12; ++i) {
      const auto right = edge.Difference(kRight, i, i + 1, 0, 1, 230);
      const auto left = edge.Difference(kLeft, i, i + 1, 0, 1, 230);
      for (std::size_t row = 60; row < 200; row += 10) {
        const auto& here = extents[static_cast<std::size_t>(i)];
        for (const auto& [mine, theirs] : {std::pair{right[row], here.right[row] - extents[0].right[row]},
                                           std::pair{left[row], here.left[row] - extents[0].left[row]}}) {
          sum2 += static_cast<double>(theirs) * static_cast<double>(theirs);
          both2 += std::pow(mine - static_cast<double>(theirs), 2);
          ++n;
        }
      }
    }
    INFO("rms of the edge's movement " << std::sqrt(sum2 / n) << " px, of the difference "
                                       << std::sqrt(both2 / n) << " px");
    CHECK(std::sqrt(sum2 / n) > 2.0);
    // Patches are up to a pixel apart along the outline too.
    CHECK(std::sqrt(both2 / n) < 0.6);
  }
}

// Law: what the control variate adds has zero mean, so that many pictures need nothing of it.
TEST_CASE("the long-time boundary is that of many pictures, and known better than by them",
          "[render][sheet_edge]") {
  const Scene scene = Wavy("2e-5");
  const Spray spray(scene.spray);
  const Camera camera = MakeIdealCamera(701, 250, 12.0, {350.0, 8.0});
  const Instant steady = SteadyInstant(scene, 5.0, 0.0, 0.0);
  LongTimeBoundary few{BoundaryStack(210, scene.look.blur_px),
                       SheetEdge(spray, camera, scene.lean_deg, 2e-5, steady, 17.0)};
  BoundaryStack many(210, scene.look.blur_px);
  FloatImage signal;
  SheetExtent extent;
  for (int i = 0; i < 144; ++i) {
    Instant now = At(scene, i);
    now.stop_mm = 18.0;
    extent.Reset(camera, {}, 210);
    RenderSignal(scene, spray, camera, now, {}, true, {60.0, 0.05}, signal, &extent);
    many.Add(signal, extent);
    if (i < 36) few.stack.Add(signal, extent);
  }
  for (int i = 0; i < 1200; ++i) few.edge.Add(At(scene, i));
  const std::array<double, 2> levels{0.1, 0.1};
  const auto error = few.ErrorDeg(levels, 40, 190);
  REQUIRE(error);
  double plain2 = 0.0, better2 = 0.0;
  for (const Side side : {kRight, kLeft}) {
    const auto all = many.Median(side, 0.1);
    const auto plain = few.stack.Median(side, 0.1);
    const auto better = few.Median(side, 0.1);
    for (std::size_t row = 40; row < 190; ++row) {
      REQUIRE((all[row] && plain[row] && better[row]));
      plain2 += std::pow(*plain[row] - *all[row], 2);
      better2 += std::pow(*better[row] - *all[row], 2);
    }
  }
  INFO("rms against 144 pictures: " << std::sqrt(plain2 / 300.0) << " px plain, "
                                    << std::sqrt(better2 / 300.0) << " px; standard error "
                                    << error->pictures_deg << " and " << error->geometry_deg << " deg");
  // 36 of the 144 pictures are shared; what the rows have left is the scatter of 144.
  CHECK(better2 < 0.5 * plain2);
  CHECK(error->SumDeg() < 0.05);
}

// Law: a cone's sides appear straight; the picture of a near camera shows at a row what lies farther down.
TEST_CASE("the long-time boundary of a near camera runs straight down to the far station",
          "[render][sheet_edge]") {
  SceneOptions options;
  options.seed = 1007;
  options.group = "clean";
  options.set = {{"half_angle_deg", "56"}, {"r0_mm", "0.9"},      {"exit_diameter_mm", "1.95"},
                 {"breakup_mm", "40"},     {"lean_deg", "0"},     {"wave_mm", "0.05"},
                 {"pressures_bar", "5"},   {"drops_per_mm", "0"}, {"pulsation_deg", "0"}};
  const Scene scene = DrawScene(options, nullptr);
  CameraSetting near;
  near.width = 960;
  near.height = 720;
  near.distance_mm = 162.0;
  near.focal_px = 956.0;
  near.exit_px = {880.0, 367.0};
  near.axis_deg = -90.5;
  near.tilt_deg = -1.5;
  const StationRows stations(4.0, 14.3, 956.0 / 162.0);
  const LongTime truth = DrawLongTime(scene, Spray(scene.spray), MakeCamera(near), stations, 120, {0.05, 96});
  REQUIRE(truth.own.size() == 1);
  const LongTimeBoundary& boundary = truth.own[0];
  const Levels levels = LevelsOf({&boundary.stack}, stations);
  for (const Side side : {kRight, kLeft}) {
    const auto edge = boundary.Median(side, levels[side]);
    // The far station is row 84.
    REQUIRE((edge[36] && edge[60] && edge[84]));
    CHECK(*edge[84] - *edge[60] == Approx(*edge[60] - *edge[36]).epsilon(0.01));
  }
}

TEST_CASE("where a limb is lost, a mirrored lamp within is no boundary", "[render]") {
  constexpr int kRows = 12;
  constexpr float kLimbPx = 14.0F;
  SheetExtent extent;
  extent.origin = {40.0, 4.0};
  extent.along = {0.0, 1.0};
  extent.across = {1.0, 0.0};
  extent.right.assign(kRows, kLimbPx);
  extent.left.assign(kRows, kLimbPx);
  extent.seen.assign(kRows, 1);
  FloatImage picture;
  picture.Reset(80, 24);
  for (int row = 0; row < kRows; ++row) {
    float* line = picture.Row(4 + row);
    for (int x = 38; x <= 46; ++x) line[x] = 1.0F;  // the lamp, as far as 6 px beside the axis
    const bool lost = row >= 4 && row < 8;          // of the right side only
    for (int x = 50; x <= 54 && !lost; ++x) line[x] = 1.0F;
    for (int x = 26; x <= 30; ++x) line[x] = 1.0F;
  }
  BoundaryStack stack(kRows, 0.8);
  for (int k = 0; k < 3; ++k) stack.Add(picture, extent);
  const auto right = stack.Median(kRight, 0.3);
  const auto left = stack.Median(kLeft, 0.3);
  for (int row = 0; row < kRows; ++row) {
    INFO("row " << row);
    const auto k = static_cast<std::size_t>(row);
    REQUIRE(left[k]);
    CHECK(*left[k] == Approx(kLimbPx).margin(1.0));
    const bool lost = row >= 4 && row < 8;
    CHECK(right[k].has_value() == !lost);
    if (right[k]) CHECK(*right[k] == Approx(kLimbPx).margin(1.0));
  }
}
