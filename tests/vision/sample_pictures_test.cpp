// Round shapes in pictures that nobody made for us, against a general image library's own table of regions.
#include <algorithm>
#include <cmath>
#include <cstdio>
#include <fstream>
#include <string>
#include <vector>

#include <catch2/catch.hpp>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>

#include <vision/drop_finder.h>
#include <vision/drops.h>
#include <vision/statistics.h>

using namespace conebook;

namespace {

const std::string kCoins = std::string(CONEBOOK_SOURCE_DIR) + "/tests/data/coins/";

// A row of that library's table; two ways of its own to the outline.
struct Coin {
  double x_px = 0.0, y_px = 0.0, diameter_px = 0.0;
  double enclosed_px = 0.0;  // diameter; 0: that way found none
  // What the two ways differ by: 1.2 px of some 45, for nobody can say in which pixel a coin ends.
  double ApartPx() const { return enclosed_px > 0.0 ? enclosed_px - diameter_px : 1.2; }
};

std::vector<Coin> TableOfCoins() {
  std::ifstream file(kCoins + "regions.csv");
  std::string line;
  std::getline(file, line);
  std::vector<Coin> coins;
  while (std::getline(file, line)) {
    Coin coin;
    double area = 0.0, solidity = 0.0;
    if (std::sscanf(line.c_str(), "%lf,%lf,%lf,%lf,%lf,%lf", &coin.x_px, &coin.y_px, &area, &coin.diameter_px,
                    &solidity, &coin.enclosed_px) >= 5)
      coins.push_back(coin);
  }
  return coins;
}

}  // namespace

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

// Sample picture of the library scikit-image (tests/data/coins), in its negative: bright coins on an uneven
// dark ground become shadows. Coins are embossed and worn, no drop is: along a rim the light comes and goes.
// One coin's rim is so dark on one side that what is left is not round, and is left out and counted; four are
// dimmer than 0.7 of the others along half of their rim, which is what a drop out of focus looks like.
TEST_CASE("of 24 coins 23 are found and 19 are in focus, with the diameters of the region table",
          "[vision][drops]") {
  const std::vector<Coin> table = TableOfCoins();
  REQUIRE(table.size() == 24);
  const cv::Mat picture = cv::imread(kCoins + "coins.png", cv::IMREAD_GRAYSCALE);
  REQUIRE_FALSE(picture.empty());
  cv::Mat1f light;
  picture.convertTo(light, CV_32F, -1.0 / 255.0, 1.0);
  // The light between them, as for a still of drops.
  const cv::Mat1f shade(1.0F - light / vision::SlowLevel(light, 96, 0.7));
  const vision::FrameDrops found =
      vision::FindDrops(shade, vision::OpaqueShade({shade}), vision::BlurredDiscs(), {});
  CHECK(found.drops.size() == 23);
  CHECK(found.crowded == 1);
  const double blur_limit_px = vision::DropSizingOptions{}.least_blur_limit_px;
  std::vector<double> off_px, apart_px;
  int within = 0;
  for (const vision::FoundDrop& drop : found.drops) {
    const auto off = [&](const Coin& c) { return std::hypot(drop.x_px - c.x_px, drop.y_px - c.y_px); };
    const Coin coin = *std::min_element(table.begin(), table.end(),
                                        [&](const Coin& a, const Coin& b) { return off(a) < off(b); });
    INFO("coin at " << coin.x_px << ", " << coin.y_px << ": " << coin.diameter_px << " px in the table, "
                    << drop.diameter_px << " px here, blur " << drop.blur_px << " px");
    CHECK(off(coin) < 0.05 * coin.diameter_px);
    if (drop.blur_px > blur_limit_px) continue;
    off_px.push_back(drop.diameter_px - coin.diameter_px);
    apart_px.push_back(coin.ApartPx());
    within += std::abs(off_px.back()) < coin.ApartPx() ? 1 : 0;
    CHECK(std::abs(off_px.back()) < 2.0 * coin.ApartPx());
  }
  REQUIRE(off_px.size() == 19);
  CHECK(within >= 16);  // five in six: a rim in the relief's shade takes a bite out of single ones
  const double common_px = vision::MedianInPlace(off_px);
  CHECK(std::abs(common_px) < 0.5 * vision::MedianInPlace(apart_px));
}
