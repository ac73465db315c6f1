#include <cmath>
#include <numbers>
#include <vector>

#include <catch2/catch.hpp>
#include <opencv2/calib3d.hpp>
#include <render/boundary_truth.h>
#include <render/camera.h>

using namespace conebook::render;

namespace {

constexpr double kRadians = std::numbers::pi / 180.0;

CameraSetting Plain() {
  CameraSetting setting;
  setting.width = 960;
  setting.height = 720;
  setting.focal_px = 4000.0;
  setting.distance_mm = 400.0;
  setting.exit_px = {470.0, 90.0};
  return setting;
}

// Angle between the image of the axis and the image of one side of an ideal cone, degrees.
double ConeSide(const Camera& camera, double half_angle_deg, Side side) {
  const double slope = std::tan(half_angle_deg * kRadians);
  const auto touch = ContactPoint(camera, 10.0, 10.0 * slope, slope, side);
  REQUIRE(touch);
  const Pixel apex = camera.Project(camera.exit_mm);
  const Pixel edge = camera.Project(*touch);
  const Pixel axis = camera.Project(camera.exit_mm + 10.0 * camera.axis);
  const double a = std::atan2(edge.x - apex.x, edge.y - apex.y);
  const double b = std::atan2(axis.x - apex.x, axis.y - apex.y);
  return (side == kRight ? a - b : b - a) / kRadians;
}

Camera Facing(double elevation_deg, double aside_deg, double tilt_deg) {
  CameraSetting setting = Plain();
  setting.tilt_deg = tilt_deg;
  setting.exit_px = {0.5 * 959 + setting.focal_px * std::tan(aside_deg * kRadians),
                     0.5 * 719 - setting.focal_px * std::tan(elevation_deg * kRadians)};
  return MakeCamera(setting);
}

}  // namespace

// Source: OpenCV documentation, "Camera Calibration and 3D Reconstruction", by its own implementation.
TEST_CASE("the renderer's camera projects as cv::projectPoints does", "[render][camera]") {
  CameraSetting setting = Plain();
  setting.k1 = -0.31;
  setting.k2 = 0.12;
  setting.p1 = 0.0021;
  setting.p2 = -0.0034;
  setting.focal_px = 900.0;
  const Camera camera = MakeCamera(setting);
  std::vector<cv::Point3d> points;
  for (int i = 0; i < 60; ++i)
    points.emplace_back(-60.0 + 37 * i % 121, -45.0 + 29.0 * (i % 13) / 4.0, 200.0 + 3.0 * i);
  const cv::Matx33d intrinsic(setting.focal_px, 0, 479.5, 0, setting.focal_px, 359.5, 0, 0, 1);
  const std::vector<double> lens{setting.k1, setting.k2, setting.p1, setting.p2};
  std::vector<cv::Point2d> expected;
  cv::projectPoints(points, cv::Vec3d(0, 0, 0), cv::Vec3d(0, 0, 0), intrinsic, lens, expected);
  for (std::size_t i = 0; i < points.size(); ++i) {
    const Pixel px = camera.Project({points[i].x, points[i].y, points[i].z});
    CHECK(px.x == Approx(expected[i].x).margin(1e-9));
    CHECK(px.y == Approx(expected[i].y).margin(1e-9));
  }
}

TEST_CASE("a ray through a pixel projects back to that pixel, lens errors or not", "[render][camera]") {
  CameraSetting setting = Plain();
  setting.focal_px = 1200.0;
  setting.k1 = 0.08;
  setting.k2 = -0.02;
  setting.p1 = 0.001;
  const Camera camera = MakeCamera(setting);
  for (const Pixel px : {Pixel{3.0, 5.0}, Pixel{950.0, 700.0}, Pixel{480.0, 11.0}}) {
    const Pixel back = camera.Project(350.0 * camera.Ray(px));
    CHECK(back.x == Approx(px.x).margin(1e-9));
    CHECK(back.y == Approx(px.y).margin(1e-9));
  }
  const Pixel exit = camera.Project(camera.exit_mm);
  CHECK(exit.x == Approx(setting.exit_px.x).margin(1e-9));
  CHECK(exit.y == Approx(setting.exit_px.y).margin(1e-9));
}

TEST_CASE("axis 0 points down, 90 to image right, 180 up; positive tilt brings the far end nearer",
          "[render][camera]") {
  for (const auto& [axis_deg, x, y] :
       {std::tuple{0.0, 0.0, 1.0}, {90.0, 1.0, 0.0}, {180.0, 0.0, -1.0}, {-90.0, -1.0, 0.0}}) {
    CameraSetting setting = Plain();
    setting.axis_deg = axis_deg;
    const Camera camera = MakeCamera(setting);
    const Pixel a = camera.Project(camera.exit_mm);
    const Pixel b = camera.Project(camera.exit_mm + camera.axis);
    CHECK(b.x - a.x == Approx(10.0 * x).margin(1e-9));
    CHECK(b.y - a.y == Approx(10.0 * y).margin(1e-9));
  }
  CameraSetting setting = Plain();
  setting.tilt_deg = 10.0;
  CHECK(MakeCamera(setting).axis.z < 0.0);
}

// Source: spray-physics reference, silhouette of a right circular cone; brute-force values.
TEST_CASE("a cone's sides appear at the published angles under tilt and elevation", "[render][camera]") {
  struct Row {
    double half_deg, tilt_deg, elevation_deg, seen_deg;
  };
  for (const Row& row : {Row{30, 0, 0, 30.000000}, Row{30, 10, 0, 30.511634}, Row{30, 20, 0, 32.146701},
                         Row{45, 10, 0, 45.890841}, Row{40, -10, 0, 40.745757}, Row{45, 0, 5, 45.110061},
                         Row{45, 0, 10, 45.452400}, Row{40, 8, 6, 41.332058}, Row{40, 8, -6, 39.874381}}) {
    const Camera camera = Facing(row.elevation_deg, 0.0, row.tilt_deg);
    CHECK(ConeSide(camera, row.half_deg, kRight) == Approx(row.seen_deg).margin(2e-6));
    CHECK(ConeSide(camera, row.half_deg, kLeft) == Approx(row.seen_deg).margin(2e-6));
  }
  CHECK(ConeSide(Facing(0.0, 5.0, 0.0), 40.0, kRight) == Approx(40.107598).margin(2e-6));
  CHECK(ConeSide(Facing(0.0, 10.0, 0.0), 40.0, kLeft) == Approx(40.432461).margin(2e-6));
}

// Source: spray-physics reference, silhouette of the hyperboloid r0 = 1 mm, 40 degrees, from a finite
// distance.
TEST_CASE("a hyperboloid's silhouette has the published half widths", "[render][camera]") {
  struct Row {
    double distance_mm, camera_below_mm, width_mm[4];
  };
  for (const Row& row :
       {Row{600, 15, {4.31396, 8.45224, 16.8155, 25.1984}}, Row{200, 0, {4.31303, 8.45038, 16.8118, 25.1928}},
        Row{200, 15, {4.32144, 8.46724, 16.8453, 25.2431}}}) {
    CameraSetting setting = Plain();
    setting.distance_mm = row.distance_mm;
    setting.exit_px = {479.5, 359.5 - setting.focal_px * row.camera_below_mm / row.distance_mm};
    const Camera camera = MakeCamera(setting);
    const double tan_a = std::tan(40.0 * kRadians);
    const double stations[] = {5.0, 10.0, 20.0, 30.0};
    for (int i = 0; i < 4; ++i) {
      // The contact whose image lies level with the station on the axis's plane.
      double low = 0.5 * stations[i], high = 1.6 * stations[i];
      double width = 0.0;
      for (int round = 0; round < 80; ++round) {
        const double z = 0.5 * (low + high);
        const double r = std::hypot(1.0, z * tan_a);
        const auto touch = ContactPoint(camera, z, r, z * tan_a * tan_a / r, kRight);
        REQUIRE(touch);
        const double level = touch->y / touch->z * row.distance_mm - camera.exit_mm.y;
        width = touch->x / touch->z * row.distance_mm;
        (level < stations[i] ? low : high) = z;
      }
      CHECK(width == Approx(row.width_mm[i]).epsilon(3e-6));
    }
  }
}
