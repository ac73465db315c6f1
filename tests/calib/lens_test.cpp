// The lens: a picture of another size, against OpenCV's projection.
#include <catch2/catch.hpp>
#include <opencv2/calib3d.hpp>

#include <calib/lens.h>

using namespace conebook;

TEST_CASE("a lens for half the pixels sees each ray at the same part of the picture", "[calib][lens]") {
  const calib::Lens lens{1920, 1080, 1500.0, 1510.0, 950.0, 545.0, -0.1, 0.02, 0.001, -0.002, 0.01, 0.3, {}};
  const auto half = calib::LensForImage(lens, 960, 540);
  REQUIRE(half);
  const cv::Matx33d camera(1500.0, 0.0, 950.0, 0.0, 1510.0, 545.0, 0.0, 0.0, 1.0);
  const std::vector<double> distortion{-0.1, 0.02, 0.001, -0.002, 0.01};
  for (const cv::Point3d point : {cv::Point3d(0.3, -0.2, 1.0), cv::Point3d(-0.5, 0.3, 1.0)}) {
    std::vector<cv::Point2d> px;
    cv::projectPoints(std::vector<cv::Point3d>{point}, cv::Vec3d(), cv::Vec3d(), camera, distortion, px);
    const Eigen::Vector2d small = calib::PxFromRay(*half, {point.x, point.y});
    CHECK((small.x() + 0.5) / 960.0 == Approx((px[0].x + 0.5) / 1920.0).margin(1e-9));
    CHECK((small.y() + 0.5) / 540.0 == Approx((px[0].y + 0.5) / 1080.0).margin(1e-9));
  }
}

TEST_CASE("a picture of another shape has no lens, a rounded one has", "[calib][lens]") {
  calib::Lens lens{1920, 1080, 1500.0, 1500.0, 959.5, 539.5, 0.0, 0.0, 0.0, 0.0, 0.0, 0.3, {}};
  lens.covariance = Eigen::Matrix<double, 9, 9>::Identity();
  CHECK_FALSE(calib::LensForImage(lens, 1440, 1080));
  CHECK_FALSE(calib::LensForImage(lens, 1080, 1920));        // turned
  const auto rounded = calib::LensForImage(lens, 854, 480);  // 853.33
  REQUIRE(rounded);
  CHECK(rounded->fy_px == Approx(1500.0 * 480.0 / 1080.0));
  CHECK((*rounded->covariance)(0, 0) == Approx(std::pow(854.0 / 1920.0, 2)));
  CHECK((*rounded->covariance)(4, 4) == 1.0);
}
