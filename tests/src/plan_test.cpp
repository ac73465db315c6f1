// What `conebook plan` works out, formula by formula, against worked examples and simulation.
#include <cmath>
#include <numbers>
#include <random>
#include <string>

#include <catch2/catch.hpp>

#include <calib/error.h>
#include <src/plan.h>
#include <vision/cone_fit.h>

using namespace conebook;
using Catch::Matchers::Contains;

namespace {

src::PlanInput Example() {
  src::PlanInput in;
  in.pressure_drop_bar = 5.0;
  in.half_angle_deg = 35.0;
  in.exit_diameter_mm = 1.6;
  in.width_px = 1920;
  in.height_px = 1080;
  in.focal_mm = 35.0;
  in.pixel_um = 5.5;
  in.distance_mm = 400.0;
  in.f_number = 8.0;
  return in;
}

double Part(const src::Plan& plan, const std::string& beginning) {
  for (const calib::Contribution& part : plan.half_angle_deg.budget) {
    if (part.source.rfind(beginning, 0) == 0) return part.u;
  }
  return -1.0;
}

std::string ErrorOf(const src::PlanInput& in) {
  try {
    src::MakePlan(in);
  } catch (const calib::InputError& error) {
    return error.what();
  }
  return "no error";
}

}  // namespace

TEST_CASE("the sheet's speed is Bernoulli's", "[src][plan]") {
  src::PlanInput in = Example();
  in.density_kg_m3 = 1000.0;
  // sqrt(2 dp / rho), worked by hand: 2, 5 and 9 bar of water.
  for (const auto& [bar, speed] : {std::pair{2.0, 20.0}, std::pair{5.0, 31.6228}, std::pair{9.0, 42.4264}}) {
    in.pressure_drop_bar = bar;
    CHECK(src::MakePlan(in).speed_m_s == Approx(speed).epsilon(1e-5));
  }
}

TEST_CASE("depth of field and diffraction are those of a thin lens", "[src][plan]") {
  // Worked example, thin-lens formulas: f 105 mm, f/8, 6 um, 500 mm.
  src::PlanInput in = Example();
  in.focal_mm = 105.0;
  in.pixel_um = 6.0;
  in.distance_mm = 500.0;
  const src::Plan plan = src::MakePlan(in);
  CHECK(plan.magnification == Approx(0.265823).epsilon(1e-5));
  CHECK(plan.px_per_mm == Approx(0.265823 / 0.006).epsilon(1e-5));
  CHECK(plan.near_limit_mm == Approx(499.142).margin(0.001));
  REQUIRE(plan.far_limit_mm);
  CHECK(*plan.far_limit_mm == Approx(500.861).margin(0.001));
  CHECK(plan.depth_of_field_mm == Approx(1.71973).epsilon(1e-4));
  CHECK(plan.airy_um == Approx(51.1238).epsilon(1e-5));  // 550 nm
  CHECK(plan.airy_px == Approx(51.1238e-3 * plan.px_per_mm).epsilon(1e-5));
  // A short lens stopped down sees sharp to infinity: no far limit, never a negative one.
  in = Example();
  in.focal_mm = 4.0;
  in.pixel_um = 3.0;
  in.distance_mm = 900.0;
  in.far_mm = 20.0;
  CHECK_FALSE(src::MakePlan(in).far_limit_mm);
}

TEST_CASE("the exposure that freezes the sheet moves it by one pixel", "[src][plan]") {
  // 30 m/s for 20 us is 0.6 mm, which is 24 px of 25 um.
  src::PlanInput in = Example();
  in.density_kg_m3 = 1000.0;
  in.pressure_drop_bar = 4.5;
  in.focal_mm = 100.0;
  in.distance_mm = 350.0;
  in.pixel_um = 10.0;
  in.exposure_us = 20.0;
  const src::Plan plan = src::MakePlan(in);
  CHECK(plan.px_per_mm == Approx(40.0));
  REQUIRE(plan.smear_px);
  CHECK(*plan.smear_px == Approx(24.0).epsilon(1e-6));
  CHECK(plan.longest_exposure_us == Approx(20.0 / 24.0).epsilon(1e-6));
}

TEST_CASE("the smallest drop is the one that pixels count to 4 %", "[src][plan]") {
  src::PlanInput in = Example();
  in.f_number = 1.0;  // so that diffraction is no limit
  const src::Plan plan = src::MakePlan(in);
  const double radius_px = 0.5e-3 * plan.drop_4_percent_um * plan.px_per_mm;
  // Discs dropped at random, their pixel centres counted.
  std::mt19937 random(3);
  std::uniform_real_distribution<double> place(0.0, 1.0), size(0.85, 1.15);
  double square = 0.0;
  constexpr int kDiscs = 20000;
  for (int i = 0; i < kDiscs; ++i) {
    const double cx = place(random), cy = place(random), r = radius_px * size(random);
    int count = 0;
    for (int y = -6; y <= 6; ++y) {
      for (int x = -6; x <= 6; ++x) {
        if (std::hypot(x - cx, y - cy) < r) ++count;
      }
    }
    square += std::pow(std::sqrt(count / std::numbers::pi) / r - 1.0, 2) / kDiscs;
  }
  // The law is of large discs, averaged over their size; at two pixels it holds to some 10 %.
  CHECK(std::sqrt(square) == Approx(0.04).epsilon(0.15));
  in.f_number = 22.0;
  CHECK(src::MakePlan(in).drop_4_percent_um == Approx(src::MakePlan(in).airy_um));
}

TEST_CASE("frames wanted go with the square of u, and only independent ones count", "[src][plan]") {
  src::PlanInput in = Example();
  // A spray that pulsates by 0.7 deg swings with an sd of 0.7 / root 2 (a sine), beside the steady one's
  // 0.15.
  in.pulsation_deg = 0.7;
  in.wanted_u_deg = 0.1;
  in.fps = 50.0;
  const src::Plan plan = src::MakePlan(in);
  CHECK(plan.frames_wanted == std::ceil(1.25 * 1.25 * (0.15 * 0.15 + 0.5 * 0.7 * 0.7) / 0.01));
  CHECK(plan.clip_s == Approx(plan.frames_wanted / 50.0));
  // A clip of given length: u by scatter falls with the root of its frames.
  in.clip_s = 2.0;
  CHECK(src::MakePlan(in).frames == 100.0);
  CHECK(Part(src::MakePlan(in), "scatter") ==
        Approx(0.1 * std::sqrt(plan.frames_wanted / 100.0)).epsilon(0.02));
  in.clip_s.reset();
  in.wanted_u_deg = 0.05;
  CHECK(src::MakePlan(in).frames_wanted == Approx(4.0 * plan.frames_wanted).margin(4.0));
  // At a million frames a second, neighbours show the same sheet: the clip gets no shorter than the flow
  // allows.
  in.fps = 1e6;
  const src::Plan fast = src::MakePlan(in);
  CHECK(fast.clip_s == Approx(fast.frames_wanted / fast.independent_fps));
  // The sheet passes the far station's distance in this time, along the axis.
  CHECK(1.0 / fast.independent_fps ==
        Approx(1e-3 * fast.far_mm / (fast.speed_m_s * std::cos(35.0 * std::numbers::pi / 180.0))));
}

TEST_CASE("u by cause follows the closed forms of a cone's silhouette", "[src][plan]") {
  src::PlanInput in = Example();
  in.half_angle_deg = 40.0;
  in.u_tilt_deg = 2.0;
  const src::Plan plan = src::MakePlan(in);
  const double rad = std::numbers::pi / 180.0;
  // sin a' = sin a / cos e, e the tilt plus how far the exit is above the line of sight: da = tan a tan e de,
  // and the one-sided part tan a u^2 / 2, which scatters by root 2 of itself.
  const double elevation = std::atan(0.4 * in.height_px / plan.focal_px);
  const double tan_a = std::tan(40.0 * rad), u = in.u_tilt_deg * rad;
  const double expected =
      std::hypot(tan_a * std::tan(elevation) * u, std::numbers::sqrt2 * 0.5 * tan_a * u * u) / rad;
  CHECK(Part(plan, "tilt") == Approx(expected).epsilon(0.1));
  // Known exactly, it is gone; a calibrated lens leaves no line either.
  in.u_tilt_deg = 0.0;
  in.lens_calibrated = true;
  const src::Plan known = src::MakePlan(in);
  CHECK(Part(known, "tilt") == -1.0);
  CHECK(Part(known, "lens") == -1.0);
  CHECK(Part(plan, "lens not calibrated") > 0.0);
  CHECK(known.half_angle_deg.u < plan.half_angle_deg.u);
}

TEST_CASE("what definition and compression leave open is what the measurement states of it", "[src][plan]") {
  src::PlanInput in = Example();
  CHECK(Part(src::MakePlan(in), "definition and compression") == vision::DefinitionDeg({}, true, 35.0));
  in.compressed = false;
  CHECK(Part(src::MakePlan(in), "definition") == vision::DefinitionDeg({}, false, 35.0));
}

TEST_CASE("tilt, exit and an unstated distance count as the projection says", "[src][plan]") {
  src::PlanInput in = Example();
  in.half_angle_deg = 40.0;
  in.far_mm = 20.0;
  const double rad = std::numbers::pi / 180.0, tan_a = std::tan(40.0 * rad);
  // sin a' = sin a / cos e (parallel rays): 8 deg of known tilt make an error of 1 deg in it worth
  // tan a tan e du, e the tilt less how far the exit is above the line of sight.
  in.tilt_deg = 8.0;
  in.u_tilt_deg = 1.0;
  const src::Plan plan = src::MakePlan(in);
  const double above = std::atan(0.4 * in.height_px / plan.focal_px) / rad;
  CHECK(Part(plan, "tilt") == Approx(tan_a * std::tan((8.0 + above) * rad)).epsilon(0.1));
  // With the exit in the middle of the picture's height only the tilt is left.
  in.exit_x_px = 960.0;
  in.exit_y_px = 0.5 * (in.height_px - 1);
  CHECK(Part(src::MakePlan(in), "tilt") == Approx(tan_a * std::tan(8.0 * rad)).epsilon(0.1));
  // No distance: rays taken for parallel. What is missed is the exit's height e above the line of sight: the
  // plane through camera and side touches the cone where the picture's slope is sin a / sqrt(1 - (sin a / cos
  // e)^2); worked out by hand from n.axis = |n| sin a.
  in = Example();
  in.distance_stated = false;
  in.u_tilt_deg = 0.0;
  const src::Plan blind = src::MakePlan(in);
  const double e = std::atan((0.5 * (in.height_px - 1) - 0.1 * in.height_px) / blind.focal_px);
  const double sin_a = std::sin(35.0 * rad);
  const double seen = std::atan(sin_a / std::sqrt(1.0 - std::pow(sin_a / std::cos(e), 2))) / rad;
  CHECK(Part(blind, "camera distance not stated") == Approx(seen - 35.0).epsilon(0.03));
  // An exit beside the middle leaves less of the spray in view.
  in.exit_x_px = 480.0;
  CHECK(src::MakePlan(in).spray_in_view_mm < blind.spray_in_view_mm);
}

TEST_CASE("what is out of view or makes no sense is refused by name", "[src][plan]") {
  src::PlanInput in = Example();
  in.far_mm = 500.0;
  CHECK_THAT(ErrorOf(in), Contains("out of view"));
  in = Example();
  in.distance_mm = 40.0;
  CHECK_THAT(ErrorOf(in), Contains("--distance-mm"));
  in = Example();
  in.half_angle_deg = 95.0;
  CHECK_THAT(ErrorOf(in), Contains("--half-angle-deg"));
  in = Example();
  in.f_number = std::nan("");
  CHECK_THAT(ErrorOf(in), Contains("--f-number"));
  in = Example();
  in.exit_x_px = 4000.0;
  in.exit_y_px = 10.0;
  CHECK_THAT(ErrorOf(in), Contains("--exit-px"));
  in = Example();
  in.clip_s = 0.0;
  CHECK_THAT(ErrorOf(in), Contains("--clip-s"));
  CHECK(ErrorOf(Example()) == "no error");
}
