#include <algorithm>
#include <cmath>
#include <numbers>
#include <vector>

#include <catch2/catch.hpp>
#include <render/boundary_truth.h>
#include <render/exposure.h>
#include <render/flying_drops.h>
#include <render/scene.h>
#include <render/spray.h>

using namespace conebook::render;

namespace {
constexpr double kRadians = std::numbers::pi / 180.0;

Scene Smooth(const std::string& film, const std::string& light) {
  SceneOptions options;
  options.seed = 5;
  options.group = "clean";
  options.set = {{"film", film},         {"light", light},         {"half_angle_deg", "40"},
                 {"wave_mm", "0"},       {"breakup_scatter", "0"}, {"drops_per_mm", "0"},
                 {"lean_deg", "0"},      {"px_per_mm", "12"},      {"exit_diameter_mm", "2"},
                 {"r0_mm", "1"},         {"breakup_mm", "25"},     {"pressures_bar", "5"},
                 {"exposure_s", "1e-6"}, {"blur_px", "0.7"},       {"streak", "0"},
                 {"glint", "0"},         {"lost_side", "0"},       {"pulsation_deg", "0"}};
  return DrawScene(options, nullptr);
}
}  // namespace

// Source: spray-physics reference, sheet kinematics: r(z) for r0 = 1, 40 degrees.
TEST_CASE("the mean sheet is the hyperboloid with the published radii", "[render][spray]") {
  SpraySetting setting;
  setting.r0_mm = 1.0;
  const Spray spray(setting);
  const double tan_a = std::tan(40.0 * kRadians);
  const double z[] = {1, 2, 5, 10, 20};
  const double r[] = {1.30541, 1.95355, 4.31303, 8.45037, 16.8118};
  // Printed to six digits.
  for (int i = 0; i < 5; ++i) CHECK(spray.RadiusAt(z[i], tan_a) == Approx(r[i]).epsilon(4e-6));
}

// School mechanics: under a constant pull a throw of range R at angle a tops out at R tan(a) / 4, half way.
TEST_CASE("a closing bell is widest half way, a quarter of its length times tan a, and closes to the jet",
          "[render][spray]") {
  SpraySetting setting;
  setting.r0_mm = 1e-3;
  const Spray spray(setting);
  const double tan_a = std::tan(40.0 * kRadians);
  CHECK(spray.RadiusAt(10.0, tan_a, 20.0) == Approx(20.0 * tan_a / 4.0).epsilon(1e-6));
  CHECK(spray.SlopeAt(10.0, tan_a, 20.0) == Approx(0.0).margin(1e-9));
  CHECK(spray.SlopeAt(5.0, tan_a, 20.0) == Approx(0.5 * tan_a).epsilon(1e-4));
  CHECK(spray.SlopeAt(15.0, tan_a, 20.0) == Approx(-0.5 * tan_a).epsilon(1e-4));
  CHECK(spray.RadiusAt(25.0, tan_a, 20.0) == Approx(1e-3));
}

TEST_CASE("the breakup's median over circumference and time is the length asked for", "[render][spray]") {
  SpraySetting setting;
  setting.seed = 77;
  setting.breakup_mm = 14.0;
  setting.breakup_scatter = 0.15;
  const Spray spray(setting);
  std::vector<float> ends;
  double sum = 0.0, sum2 = 0.0;
  for (int t = 0; t < 3000; ++t) {
    for (int k = 0; k < 24; ++k) {
      Instant now;
      now.breakup_mm = 14.0;
      now.travel_mm = 61.0 * t;
      const double end = spray.BreakupAt(2.0 * std::numbers::pi * k / 24, now);
      ends.push_back(static_cast<float>(end));
      const double l = std::log(end / 14.0);
      sum += l;
      sum2 += l * l;
    }
  }
  const double n = static_cast<double>(ends.size());
  // 3000 times, some tens of breakup lengths apart: the median's standard error is about 0.15 / sqrt(3000 *
  // 4).
  CHECK(MedianOf(ends) == Approx(14.0).epsilon(0.006));
  CHECK(std::sqrt(sum2 / n - (sum / n) * (sum / n)) == Approx(0.15).epsilon(0.05));
}

TEST_CASE("the table of breakups around the cone says the same as the single ones", "[render][spray]") {
  SpraySetting setting;
  setting.seed = 3;
  const Spray spray(setting);
  const auto table = spray.BreakupLogs(360, 1234.5, 15.0);
  for (const std::size_t k : {std::size_t{0}, std::size_t{77}, std::size_t{359}}) {
    const double phi = 2.0 * std::numbers::pi * static_cast<double>(k) / 360.0;
    CHECK(static_cast<double>(table[k]) == Approx(spray.BreakupLog(phi, 1234.5, 15.0)).margin(1e-6));
  }
}

// The sheet's outermost patches against the closed form. Patches are at most a pixel apart, so the outermost
// lies within a small part of one inside the silhouette.
TEST_CASE("the splatted smooth sheet ends at its silhouette", "[render][film]") {
  for (const char* film : {"grey", "clear"}) {
    const Scene scene = Smooth(film, "backlit");
    const Spray spray(scene.spray);
    const Camera camera = MakeIdealCamera(901, 340, 12.0, {450.0, 10.0});
    Instant now = SteadyInstant(scene, 5.0, 0.0, 1e5);
    FloatImage signal;
    SheetExtent extent;
    extent.Reset(camera, {}, 300);
    RenderSignal(scene, spray, camera, now, {}, false, {}, signal, &extent);
    for (std::size_t row = 40; row < 200; row += 20) {
      const double r_px = 12.0 * spray.RadiusAt(static_cast<double>(row) / 12.0, now.tan_a);
      CHECK(static_cast<double>(extent.right[row]) == Approx(r_px).margin(0.55));
      CHECK(static_cast<double>(extent.left[row]) == Approx(r_px).margin(0.55));
    }
  }
}

// Laws of the two films: what grey shows on the axis is both walls' depth; clear water shows next to nothing
// there.
TEST_CASE("a grey film darkens the axis, clear water only the limb", "[render][film]") {
  for (const char* film : {"grey", "clear"}) {
    const Scene scene = Smooth(film, "backlit");
    const Spray spray(scene.spray);
    const Camera camera = MakeIdealCamera(901, 340, 12.0, {450.0, 10.0});
    const Instant now = SteadyInstant(scene, 5.0, 0.0, 1e5);
    FloatImage signal;
    RenderSignal(scene, spray, camera, now, {}, false, {}, signal, nullptr);
    const double row = 10.0 + 12.0 * 10.0;
    double axis = 0.0;
    for (int dy = -6; dy <= 6; ++dy)
      for (int dx = -6; dx <= 6; ++dx) axis += signal.At(450.0 + dx, row + dy) / 169.0;
    double limb = 0.0;
    for (int dx = 80; dx < 130; ++dx) limb = std::max(limb, signal.At(450.0 + dx, row));
    const double r = spray.RadiusAt(10.0, now.tan_a);
    if (std::string(film) == "grey") {
      // Facing walls: depth wall * r0 / r / cos(incidence); the surface's slope dr/dz tilts it out of square.
      const double slope = 10.0 * now.tan_a * now.tan_a / r;
      const double depth = 2.0 * scene.look.wall_depth * 1.0 / r * std::sqrt(1.0 + slope * slope);
      CHECK(axis == Approx(1.0 - std::exp(-depth)).epsilon(0.03));
      CHECK(limb > 1.5 * axis);
    } else {
      CHECK(limb > 4.0 * axis);
    }
  }
}

TEST_CASE("the robust line through a straight boundary with one bad row is that boundary's line",
          "[render][truth]") {
  std::vector<double> z, x;
  for (int i = 0; i < 40; ++i) {
    z.push_back(2.0 + 0.25 * i);
    x.push_back(0.3 + 0.7 * z.back());
  }
  x[17] += 3.0;
  const auto line = RobustLine(z, x, 0.0, 0.1);
  REQUIRE(line);
  CHECK(line->slope == Approx(0.7).margin(1e-6));
  CHECK(line->offset == Approx(0.3).margin(1e-5));
  CHECK_FALSE(RobustLine({1.0, 2.0}, {1.0, 2.0}, 0.0, 0.1));
}

// Source: spray-physics reference: line through r(z) of r0 = 1 mm, 40 degrees, at z = 2 .. 20: 39.6797
// degrees.
TEST_CASE("a hyperboloid fitted by a line at the published points gives the published angle",
          "[render][truth]") {
  std::vector<double> z, x;
  for (int i = 2; i <= 20; ++i) {
    z.push_back(i);
    x.push_back(std::hypot(1.0, i * std::tan(40.0 * kRadians)));
  }
  CHECK(std::atan(RobustLine(z, x, 1.0, 0.05)->slope) / kRadians == Approx(39.6797).margin(1e-4));
  // A row that the light does not reach is no part of it.
  x[9] -= 2.0;
  CHECK(std::atan(RobustLine(z, x, 1.0, 0.05)->slope) / kRadians == Approx(39.6797).margin(0.01));
}

TEST_CASE("a silhouette seen by a tilted, near, distorting camera comes back to space", "[render][truth]") {
  CameraSetting setting;
  setting.width = 960;
  setting.height = 720;
  setting.focal_px = 2400.0;
  setting.distance_mm = 200.0;
  setting.exit_px = {430.0, 90.0};
  setting.tilt_deg = 7.0;
  setting.axis_deg = 4.0;
  setting.k1 = -0.15;
  const Camera camera = MakeCamera(setting);
  const double tan_a = std::tan(33.0 * kRadians);
  for (const Side side : {kRight, kLeft}) {
    std::vector<std::optional<Pixel>> seen;
    for (int i = 4; i < 60; ++i) {
      const double z = 0.5 * i;
      const double r = std::hypot(0.8, z * tan_a);
      const auto touch = ContactPoint(camera, z, r, z * tan_a * tan_a / r, side);
      REQUIRE(touch);
      seen.emplace_back(camera.Project(*touch));
    }
    for (const auto& p : ToSpace(camera, seen, 0.8, side, 4.0, 25.0)) {
      REQUIRE(p);
      CHECK(p->x_mm == Approx(std::hypot(0.8, p->z_mm * tan_a)).margin(2e-3));
    }
  }
}

// School mechanics: what is carried past a place at one speed lies there as thickly as anywhere else.
TEST_CASE("a long exposure draws drops out from where the sheet lets go of them, not from above",
          "[render][spray]") {
  Scene scene = Smooth("grey", "backlit");
  scene.spray.ligament_reach = 0.0;
  scene.spray.stray_share = 0.0;
  scene.spray.drop_scatter_deg = 0.0;
  scene.spray.drops_per_mm = 60.0;
  const Spray spray(scene.spray);
  const Camera camera = MakeIdealCamera(1201, 620, 12.0, {600.0, 10.0});
  const double smear_mm = 10.0;
  double above = 0.0, just_below = 0.0, farther = 0.0;
  for (int i = 0; i < 40; ++i) {
    const Instant now = SteadyInstant(scene, 5.0, 0.1 * i, 1e4 + 71.3 * i);
    FloatImage depth;
    depth.Reset(camera.width, camera.height);
    AddDrops(spray, camera, scene.look, now, 1e-3 * smear_mm / now.axial_m_s, {}, depth);
    const auto sum = [&](double from_mm, double to_mm) {
      double all = 0.0;
      for (int y = static_cast<int>(10.0 + 12.0 * from_mm); y < static_cast<int>(10.0 + 12.0 * to_mm); ++y)
        for (int x = 0; x < camera.width; ++x) all += static_cast<double>(depth.Row(y)[x]);
      return all;
    };
    above += sum(0.0, now.breakup_mm - 1.0);  // a millimetre for the drop's own radius
    just_below += sum(now.breakup_mm + 1.0, now.breakup_mm + 5.0);
    farther += sum(now.breakup_mm + 12.0, now.breakup_mm + 16.0);
  }
  CHECK(above == 0.0);
  CHECK(just_below == Approx(farther).epsilon(0.05));
}
