// Real clips of Debian's opencv-doc package; written clips with known pixels.
#include <filesystem>
#include <fstream>
#include <vector>

#include <catch2/catch.hpp>
#include <opencv2/core.hpp>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>

#include <calib/error.h>
#include <vision/footage.h>
#include <vision/reading_frame.h>
#include <vision/transfer.h>

#include "scratch.h"

using namespace conebook::vision;
namespace fs = std::filesystem;

namespace {

const std::string kRealClips = "/usr/share/doc/opencv-doc/examples/data/";

std::vector<double> StampsOf(const std::string& path) {
  const auto footage = OpenFootage(path, {});
  std::vector<double> stamps;
  LumaFrame frame;
  while (footage->Next(frame)) {
    CHECK(frame.index == static_cast<std::int64_t>(stamps.size()));
    stamps.push_back(frame.stamp_s);
  }
  return stamps;
}

fs::path FreshFolder(const std::string& name) {
  const fs::path folder = conebook::tests::ScratchFolder(name);
  fs::create_directories(folder);
  return folder;
}

}  // namespace

// tree.avi declares 444 frames; 68 decode, at irregular stamps (counted with a general video tool).
TEST_CASE("a container that declares 444 frames gives the 68 that decode, with their own stamps",
          "[vision][footage]") {
  const std::vector<double> stamps = StampsOf(kRealClips + "tree.avi");
  REQUIRE(stamps.size() == 68);
  const double tick_s = 0.066667;
  CHECK(stamps[0] == 0.0);
  CHECK(stamps[1] == Approx(11 * tick_s).epsilon(1e-9));
  CHECK(stamps[2] == Approx(17 * tick_s).epsilon(1e-9));
  CHECK(stamps[16] == Approx(105 * tick_s).epsilon(1e-9));
  CHECK(std::is_sorted(stamps.begin(), stamps.end()));
}

TEST_CASE("a clip of constant rate has all its frames at a tenth of a second", "[vision][footage]") {
  const std::vector<double> stamps = StampsOf(kRealClips + "vtest.avi");
  REQUIRE(stamps.size() == 795);
  CHECK(stamps.back() == Approx(79.4).epsilon(1e-9));
}

TEST_CASE("sixteen-bit frames of a folder keep their values and come in the order of their numbers",
          "[vision][footage]") {
  const fs::path folder = FreshFolder("folder16");
  for (int i : {10, 9, 1}) {
    cv::Mat1w image(4, 6, static_cast<std::uint16_t>(100 * i + 7));
    cv::imwrite((folder / ("f" + std::to_string(i) + ".png")).string(), image);
  }
  const auto footage = OpenFootage(folder.string(), {});
  CHECK(footage->Format().bits == 16);
  CHECK(footage->Format().transfer == Transfer::kLinear);
  LumaFrame frame;
  std::vector<int> values;
  while (footage->Next(frame)) values.push_back(frame.Row<std::uint16_t>(2)[3]);
  CHECK(values == std::vector<int>{107, 907, 1007});
}

TEST_CASE("frames of different sizes in one folder are refused by name", "[vision][footage]") {
  const fs::path folder = FreshFolder("mixed");
  cv::imwrite((folder / "a.png").string(), cv::Mat1b(8, 8, static_cast<std::uint8_t>(1)));
  cv::imwrite((folder / "b.png").string(), cv::Mat1b(8, 9, static_cast<std::uint8_t>(1)));
  const auto footage = OpenFootage(folder.string(), {});
  LumaFrame frame;
  REQUIRE(footage->Next(frame));
  CHECK_THROWS_WITH(footage->Next(frame), Catch::Contains("b.png") && Catch::Contains("9 x 8"));
}

TEST_CASE("no clip, an empty folder and a text file are bad input", "[vision][footage]") {
  const fs::path folder = FreshFolder("empty");
  CHECK_THROWS_AS(OpenFootage((folder / "none.mp4").string(), {}), conebook::calib::InputError);
  CHECK_THROWS_AS(OpenFootage(folder.string(), {}), conebook::calib::InputError);
  std::ofstream(folder / "text.mp4") << "not a clip\n";
  CHECK_THROWS_AS(OpenFootage((folder / "text.mp4").string(), {}), conebook::calib::InputError);
}

// ITU-R BT.709: L = V / 4.5 below 0.081, ((V + 0.099) / 1.099)^(1 / 0.45) above; 16 and 235 are black and
// white.
TEST_CASE("display code values become linear light by the standard's curve", "[vision][transfer]") {
  FootageFormat format;
  format.full_range = false;
  const std::vector<float> light = LightOfCodeValue(format);
  CHECK(light[16] == 0.0F);
  CHECK(light[235] == Approx(1.0).epsilon(1e-6));
  const double v = (126.0 - 16.0) / 219.0;
  CHECK(light[126] == Approx(std::pow((v + 0.099) / 1.099, 1.0 / 0.45)).epsilon(1e-6));
  format.bits = 10;
  CHECK(LightOfCodeValue(format)[940] == Approx(1.0).epsilon(1e-6));
  CHECK(LightOfCodeValue(format)[4 * 126] == Approx(light[126]).epsilon(1e-6));
}

TEST_CASE("turning a frame so that the spray points down and back again is the identity",
          "[vision][reading_frame]") {
  for (const QuarterTurn tag : {QuarterTurn::k0, QuarterTurn::k90, QuarterTurn::k180, QuarterTurn::k270}) {
    for (const double axis_deg : {0.0, 90.0, -90.0, 180.0, 97.0, -3.0, 31.0}) {
      FootageFormat format;
      format.stored_width_px = 64;
      format.stored_height_px = 48;
      format.turn = tag;
      const ReadingFrame reading = MakeReadingFrame(format, axis_deg);
      const cv::Point2d p(11.0, 17.0);
      const cv::Point2d there = Apply(reading.reading_from_upright, p);
      const cv::Point2d back = Apply(reading.upright_from_reading, there);
      CHECK(back.x == Approx(p.x).margin(1e-9));
      CHECK(back.y == Approx(p.y).margin(1e-9));
      // The axis in the reading frame points down, but for the rest.
      const double t = axis_deg * CV_PI / 180.0;
      const cv::Point2d d =
          Apply(reading.reading_from_upright, {p.x + std::sin(t), p.y + std::cos(t)}) - there;
      CHECK(std::atan2(d.x, d.y) * 180.0 / CV_PI == Approx(reading.rest_deg).margin(1e-9));
      CHECK(std::abs(reading.rest_deg) <= 15.0);
    }
  }
}

TEST_CASE("a picture turned by its tag shows the same pixels as the turned picture",
          "[vision][reading_frame]") {
  cv::Mat1b stored(5, 7);
  for (int i = 0; i < 35; ++i) stored(i / 7, i % 7) = static_cast<std::uint8_t>(i);
  cv::Mat expected;
  cv::rotate(stored, expected, cv::ROTATE_90_CLOCKWISE);
  FootageFormat format;
  format.stored_width_px = 7;
  format.stored_height_px = 5;
  format.turn = QuarterTurn::k90;
  const ReadingFrame reading = MakeReadingFrame(format, 0.0);
  LumaFrame frame;
  frame.data = stored.data;
  frame.stride_bytes = static_cast<std::ptrdiff_t>(stored.step);
  cv::Mat a;
  cv::Mat b;
  const RowsView rows = ViewRows(reading, format, frame, a, b);
  for (int y = 0; y < 7; ++y) {
    for (int x = 0; x < 5; ++x) CHECK(rows.Row<std::uint8_t>(y)[x] == expected.at<std::uint8_t>(y, x));
  }
}
