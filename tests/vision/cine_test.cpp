// Files of high-speed cameras, written by the tests and read through a general video library.
#include <catch2/catch.hpp>
#include <opencv2/imgcodecs.hpp>

#include <calib/error.h>
#include <vision/cine_header.h>
#include <vision/footage.h>
#include <vision/spray_measurement.h>
#include <vision/transfer.h>

#include "scratch.h"
#include "small_cine.h"
#include "small_clip.h"

using namespace conebook;
using namespace conebook::tests;
namespace fs = std::filesystem;

namespace {

// A ramp that tells up from down and left from right.
cv::Mat Ramp(int depth, int step) {
  cv::Mat image(24, 40, CV_MAKETYPE(depth, 1));
  for (int y = 0; y < image.rows; ++y) {
    for (int x = 0; x < image.cols; ++x) {
      const int value = step * (y + 1) + x;
      if (depth == CV_16U)
        image.at<std::uint16_t>(y, x) = static_cast<std::uint16_t>(value);
      else
        image.at<std::uint8_t>(y, x) = static_cast<std::uint8_t>(value);
    }
  }
  return image;
}

}  // namespace

TEST_CASE("a cine's frames stand upright, linear, with all their real bits", "[vision][cine]") {
  const fs::path folder = ScratchFolder("cine-bits");
  fs::create_directories(folder);
  for (const int real_bits : {8, 12, 16}) {
    CAPTURE(real_bits);
    SmallCine cine;
    cine.real_bits = real_bits;
    const int step = real_bits == 8 ? 8 : real_bits == 12 ? 150 : 2600;
    cine.frames.assign(3, Ramp(real_bits == 8 ? CV_8U : CV_16U, step));
    const std::string path = (folder / ("a" + std::to_string(real_bits) + ".cine")).string();
    WriteCine(cine, path);
    // What the engineer states of white must not count twice.
    for (const bool stated : {false, true}) {
      vision::FootageOptions options;
      if (stated) options.white_level = std::ldexp(1.0, real_bits) - 1.0;
      const auto footage = vision::OpenFootage(path, options);
      CHECK(footage->Format().transfer == vision::Transfer::kLinear);
      CHECK_FALSE(footage->Format().compressed);
      const std::vector<float> light = vision::LightOfCodeValue(footage->Format());
      vision::LumaFrame frame;
      REQUIRE(footage->Next(frame));
      for (const cv::Point at : {cv::Point(0, 0), cv::Point(39, 0), cv::Point(5, 23)}) {
        const int code =
            real_bits == 8 ? frame.Row<std::uint8_t>(at.y)[at.x] : frame.Row<std::uint16_t>(at.y)[at.x];
        const double expected = (step * (at.y + 1) + at.x) / (std::ldexp(1.0, real_bits) - 1.0);
        CHECK(light[static_cast<std::size_t>(code)] == Approx(expected).epsilon(2e-3));
      }
    }
  }
}

TEST_CASE("a cine's own stamps are the times, and the rate set on the camera is doubted where they differ",
          "[vision][cine]") {
  const fs::path folder = ScratchFolder("cine-stamps");
  fs::create_directories(folder);
  SmallCine cine;
  cine.frames.assign(5, Ramp(CV_8U, 8));
  cine.set_fps = 2000;
  cine.stamps_s = {0.0, 0.001, 0.002, 0.004, 0.005};  // 1000 a second, one frame lost
  WriteCine(cine, folder / "a.cine");
  const auto footage = vision::OpenFootage((folder / "a.cine").string(), {});
  CHECK(footage->Format().declared_fps.value() == Approx(2000.0));
  CHECK(footage->Format().recorded_at ==
        "2027-01-15T08:00:00Z");  // 1.8e9 s after 1970, by `date -u -d @1800000000`
  vision::LumaFrame frame;
  for (const double expected : cine.stamps_s) {
    REQUIRE(footage->Next(frame));
    CHECK(frame.stamp_s == Approx(expected).margin(1e-6));  // ticks of the test's own double
  }

  // Without stamps the set rate is all there is.
  cine.stamps_s.clear();
  WriteCine(cine, folder / "b.cine");
  const auto bare = vision::OpenFootage((folder / "b.cine").string(), {});
  REQUIRE(bare->Next(frame));
  REQUIRE(bare->Next(frame));
  CHECK(frame.stamp_s == Approx(1.0 / 2000.0).margin(1e-9));
  CHECK(bare->Format().recorded_at.empty());
}

TEST_CASE("a cine that is cut off is read as far as it goes, or refused", "[vision][cine]") {
  const fs::path folder = ScratchFolder("cine-cut");
  fs::create_directories(folder);
  SmallCine cine;
  cine.frames.assign(6, Ramp(CV_8U, 8));
  cine.stamps_s = {0.0, 0.001, 0.002, 0.003, 0.004, 0.005};
  const fs::path path = folder / "a.cine";
  WriteCine(cine, path);
  const auto whole = fs::file_size(path);
  fs::resize_file(path, whole - 2 * (8 + 24 * 40));
  const auto footage = vision::OpenFootage(path.string(), {});
  vision::LumaFrame frame;
  int read = 0;
  while (footage->Next(frame)) ++read;
  CHECK(read == 4);
  for (const std::uintmax_t bytes : {100U, 900U, 3000U}) {
    fs::resize_file(path, bytes);
    CHECK_THROWS_AS(vision::OpenFootage(path.string(), {}), calib::InputError);
  }
  CHECK_FALSE(vision::ReadCineHeader((folder / "none.cine").string()));
}

// The same frames as a folder and as a cine: the same angle.
TEST_CASE("a spray in a cine of twelve bits reads as its frames do, at the rate of its stamps",
          "[vision][cine][rendered]") {
  const fs::path folder = ScratchFolder("cine-spray");
  const std::string command =
      std::string(CONEBOOK_RENDER) + " --seed 5 --fast --out '" + folder.string() +
      "' --set light=backlit film=clear codec=frames12 container=png camera=highspeed clean=1 prespray=1 "
      "width=480 height=360 fps=1000 px_per_mm=8.2 exit_x_px=241 exit_y_px=46 axis_deg=0 tilt_deg=0 "
      "distance_mm=420 exit_diameter_mm=1.2 r0_mm=0.56 half_angle_deg=34 breakup_mm=19 breakup_in_view=1 "
      "pressures_bar=4 frames=60 > /dev/null 2>&1";
  REQUIRE(std::system(command.c_str()) == 0);
  vision::View view = ViewOfClip();
  view.white_level = 4095.0;
  view.fps = 1000.0;
  SmallCine cine;
  cine.real_bits = 12;
  cine.set_fps = 2000;
  std::vector<cv::String> names;
  cv::glob((folder / "clip").string() + "/*.png", names);
  REQUIRE(names.size() > 40);
  for (const cv::String& name : names) {
    cine.frames.push_back(cv::imread(name, cv::IMREAD_UNCHANGED));
    cine.stamps_s.push_back(0.001 * static_cast<double>(cine.stamps_s.size()));
  }
  const fs::path path = folder / "spray.cine";
  WriteCine(cine, path);

  const auto measure = [](const std::string& clip, const vision::View& v, bool doubtful) {
    const vision::ClipReading reading = vision::ReadClip(clip, v, {});
    for (const calib::Flag& flag : reading.flags) INFO(flag.code << ": " << flag.message);
    REQUIRE_FALSE(reading.Rejected());
    CHECK((Find(reading.flags, "rate_doubtful") != nullptr) == doubtful);
    vision::SprayMeasurement m = vision::MeasureSpray(reading, v, {{0.0205, 0.0555}});
    REQUIRE(m.points.size() == 1);
    REQUIRE(m.points[0].half_angle);
    return m.points[0].half_angle->mean_deg;
  };
  const calib::Quantity frames = measure((folder / "clip").string(), view, false);
  vision::View unstated = view;
  unstated.fps.reset();
  const calib::Quantity of_cine = measure(path.string(), unstated, true);
  CHECK(of_cine.value == Approx(frames.value).margin(0.005));
}
