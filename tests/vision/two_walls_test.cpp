// The two walls that a ray crosses, against the pinhole's own arithmetic and against drawn numbers.
#include <algorithm>
#include <cmath>
#include <numbers>
#include <random>
#include <vector>

#include <catch2/catch.hpp>

#include <vision/two_walls.h>

using namespace conebook;

namespace {

constexpr double kRadians = std::numbers::pi / 180.0;
constexpr int kMiddleRay = vision::kRays / 2;

calib::ConeCamera Camera(double tilt_deg, std::optional<double> distance_mm, double centre_below_exit_mm) {
  calib::ConeCamera camera;
  camera.exit_px = {400.0, 100.0};
  camera.px_per_mm = 6.0;
  camera.tilt_deg = tilt_deg;
  camera.distance_mm = distance_mm;
  camera.centre_x_px = 400.0;
  camera.centre_y_px = 100.0 + 6.0 * centre_below_exit_mm;
  return camera;
}

}  // namespace

TEST_CASE(
    "seen along parallel rays, tilt alone moves the walls, the near one up when the spray leans to the "
    "camera",
    "[vision][two_walls]") {
  // On the middle ray both wall points lie in the plane of axis and camera: seen at z (1 -+ tan a tan tilt).
  const double tan_a = std::tan(50.0 * kRadians);
  const vision::WallsSeen seen =
      vision::SeeWalls(calib::ConeProjection(Camera(4.0, std::nullopt, 0.0)), 20.0, tan_a, tan_a);
  CHECK(seen.near[kMiddleRay] == Approx(1.0 - tan_a * std::tan(4.0 * kRadians)).epsilon(1e-9));
  CHECK(seen.far[kMiddleRay] == Approx(1.0 + tan_a * std::tan(4.0 * kRadians)).epsilon(1e-9));
  const vision::WallsSeen upright =
      vision::SeeWalls(calib::ConeProjection(Camera(0.0, std::nullopt, 0.0)), 20.0, tan_a, tan_a);
  for (int ray = 0; ray < vision::kRays; ++ray) {
    CHECK(upright.near[static_cast<std::size_t>(ray)] == Approx(1.0).epsilon(1e-9));
    CHECK(upright.far[static_cast<std::size_t>(ray)] == Approx(1.0).epsilon(1e-9));
  }
}

TEST_CASE("a pinhole sees the near wall farther from its centre", "[vision][two_walls]") {
  // Exit 50 mm above the optical axis, camera 200 mm away, wall radius R = 25 mm at z = 20 mm: a point at
  // depth 200 -+ R is seen at (z - 50) 200 / (200 -+ R) + 50 in the exit's plane.
  const double radius = 25.0;
  const vision::WallsSeen seen =
      vision::SeeWalls(calib::ConeProjection(Camera(0.0, 200.0, 50.0)), 20.0, radius / 20.0, radius / 20.0);
  CHECK(20.0 * seen.near[kMiddleRay] == Approx(50.0 - 30.0 * 200.0 / (200.0 - radius)).epsilon(1e-9));
  CHECK(20.0 * seen.far[kMiddleRay] == Approx(50.0 - 30.0 * 200.0 / (200.0 + radius)).epsilon(1e-9));
  // Towards the sides both walls come together.
  CHECK(seen.far[0] - seen.near[0] < 0.8 * (seen.far[kMiddleRay] - seen.near[kMiddleRay]));
}

TEST_CASE("quartiles of what is seen first give back the median of one front", "[vision][two_walls]") {
  std::mt19937 random(42);
  std::normal_distribution<double> normal;
  for (const double scatter : {0.05, 0.15}) {
    for (const double apart : {0.0, 0.1, 0.25}) {
      vision::WallsSeen walls;
      walls.near.fill(1.0 - apart);
      walls.far.fill(1.0 + apart);
      std::vector<double> first(40000);
      for (double& z : first) {
        z = 20.0 * std::min((1.0 - apart) * std::exp(scatter * normal(random)),
                            (1.0 + apart) * std::exp(scatter * normal(random)));
      }
      std::sort(first.begin(), first.end());
      const auto median =
          vision::MedianOfOneFront(first[first.size() / 4], first[first.size() * 3 / 4], walls);
      REQUIRE(median);
      INFO("scatter " << scatter << ", apart " << apart);
      CHECK(*median == Approx(20.0).epsilon(0.01));
    }
  }
}

TEST_CASE("quartiles that are none give no front", "[vision][two_walls]") {
  CHECK_FALSE(vision::MedianOfOneFront(5.0, 5.0, {}));
  CHECK_FALSE(vision::MedianOfOneFront(0.0, 5.0, {}));
}
