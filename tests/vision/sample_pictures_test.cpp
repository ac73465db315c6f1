// Round shapes in pictures that nobody made for us, against a general image library's own table of regions.
#include <algorithm>
#include <cmath>
#include <vector>

#include <catch2/catch.hpp>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>

#include <vision/drop_finder.h>

using namespace conebook;

// The board of circles of Debian's opencv-doc package: 4 by 11, all of one size. Region table:
// cv::connectedComponentsWithStats at half the light.
TEST_CASE("44 equal circles of a calibration board are 44 drops of the region table's areas",
          "[vision][drops]") {
  cv::Mat board =
      cv::imread("/usr/share/doc/opencv-doc/opencv4/html/acircles_pattern.png", cv::IMREAD_GRAYSCALE);
  REQUIRE_FALSE(board.empty());
  board = board(cv::Rect(0, 0, 1600, board.rows));  // the rest has words on it
  cv::Mat1b dark;
  cv::compare(board, 128, dark, cv::CMP_LT);
  cv::Mat labels, stats, centres;
  const int regions = cv::connectedComponentsWithStats(dark, labels, stats, centres, 8, CV_32S);
  REQUIRE(regions == 45);  // one of them is the paper
  cv::Mat1f shade;
  board.convertTo(shade, CV_32F, -1.0 / 255.0, 1.0);
  const vision::FrameDrops found = vision::FindDrops(shade, 1.0, vision::BlurredDiscs(), {});
  REQUIRE(found.drops.size() == 44);
  CHECK(found.crowded == 0);
  CHECK(found.faint == 0);
  double smallest = 1e9, largest = 0.0;
  for (int region = 1; region < regions; ++region) {
    const double x = centres.at<double>(region, 0), y = centres.at<double>(region, 1);
    const auto nearest =
        std::min_element(found.drops.begin(), found.drops.end(), [&](const auto& a, const auto& b) {
          return std::hypot(a.x_px - x, a.y_px - y) < std::hypot(b.x_px - x, b.y_px - y);
        });
    CHECK(std::hypot(nearest->x_px - x, nearest->y_px - y) < 0.3);
    const double d = nearest->diameter_px;
    const double counted_px2 = stats.at<int>(region, cv::CC_STAT_AREA);
    // A count of pixels is good to about the root of the outline's pixels: half a per cent for these.
    CHECK(CV_PI / 4.0 * d * d == Approx(counted_px2).epsilon(0.015));
    smallest = std::min(smallest, d);
    largest = std::max(largest, d);
  }
  CHECK(largest / smallest < 1.01);
}
