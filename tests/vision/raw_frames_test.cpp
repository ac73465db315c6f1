// What raw frames of a high-speed camera bring along: pixels that do not answer, a level at no light, frames
// before the lamp is on. The same spray with and without it: the answer stays, or the program says why not.
#include <functional>

#include <catch2/catch.hpp>
#include <opencv2/imgcodecs.hpp>

#include <vision/spray_measurement.h>

#include "small_clip.h"

using namespace conebook;
using namespace conebook::tests;
namespace fs = std::filesystem;

namespace {

constexpr int kWhite = 4095;

const fs::path& RawClip() {
  static const fs::path kFolder = [] {
    const fs::path folder = ScratchFolder("raw");
    const std::string command =
        std::string(CONEBOOK_RENDER) + " --seed 5 --fast --out '" + folder.string() +
        "' --set light=backlit film=clear codec=frames12 container=png camera=highspeed clean=1 prespray=1 "
        "width=480 height=360 fps=1000 px_per_mm=8.2 exit_x_px=241 exit_y_px=46 axis_deg=0 tilt_deg=0 "
        "distance_mm=420 exit_diameter_mm=1.2 r0_mm=0.56 half_angle_deg=34 breakup_mm=19 "
        "breakup_in_view=1 pressures_bar=4 frames=60 > /dev/null 2>&1";
    REQUIRE(std::system(command.c_str()) == 0);
    return folder / "clip";
  }();
  return kFolder;
}

using Change = std::function<void(int number, cv::Mat1w& frame)>;

std::string Changed(const std::string& name, const Change& change) {
  const fs::path folder = ScratchFolder("raw-" + name);
  fs::create_directories(folder);
  int number = 0;
  std::vector<cv::String> names;
  cv::glob(RawClip().string() + "/*.png", names);
  for (const cv::String& file : names) {
    cv::Mat1w frame = cv::imread(file, cv::IMREAD_UNCHANGED);
    REQUIRE_FALSE(frame.empty());
    change(number++, frame);
    cv::imwrite((folder / fs::path(file).filename()).string(), frame);
  }
  return folder.string();
}

struct Answer {
  calib::Quantity angle, breakup;
  bool warned = false;
  std::vector<std::string> codes;
};

Answer Measure(const std::string& clip) {
  vision::View view = ViewOfClip();
  view.white_level = kWhite;
  view.fps = 1000.0;
  const vision::ClipReading reading = vision::ReadClip(clip, view, {});
  for (const calib::Flag& flag : reading.flags) INFO(flag.code << ": " << flag.message);
  REQUIRE_FALSE(reading.Rejected());
  const vision::SprayMeasurement m = vision::MeasureSpray(reading, view, {{0.0205, 0.0555}});
  REQUIRE(m.points[0].half_angle);
  REQUIRE(m.points[0].breakup_mm);
  Answer answer;
  answer.angle = m.points[0].half_angle->mean_deg;
  answer.breakup = *m.points[0].breakup_mm;
  for (const std::vector<calib::Flag>* flags : {&reading.flags, &m.flags}) {
    for (const calib::Flag& flag : *flags) {
      answer.warned = answer.warned || flag.severity != calib::Severity::kInfo;
      answer.codes.push_back(flag.code);
    }
  }
  return answer;
}

void CheckSame(const Answer& answer, const Answer& good) {
  CHECK(answer.angle.value == Approx(good.angle.value).margin(0.05));
  CHECK(answer.breakup.value == Approx(good.breakup.value).epsilon(0.03));
}

}  // namespace

TEST_CASE("pixels that are dead, stuck at white or flicker do not move the edge", "[vision][raw]") {
  const Answer good = Measure(RawClip().string());
  CHECK_FALSE(good.warned);
  const std::string clip = Changed("pixels", [](int number, cv::Mat1w& frame) {
    cv::RNG places(7);  // the same pixels in each frame: one in a thousand dead, one stuck, one flickering
    cv::RNG flicker(static_cast<std::uint64_t>(number) + 1);
    const int count = frame.rows * frame.cols / 1000;
    for (int k = 0; k < 3 * count; ++k) {
      const int y = places.uniform(0, frame.rows);
      const int x = places.uniform(0, frame.cols);
      frame(y, x) = static_cast<std::uint16_t>(k < count       ? 0
                                               : k < 2 * count ? kWhite
                                                               : flicker.uniform(0, kWhite));
    }
  });
  CheckSame(Measure(clip), good);
}

TEST_CASE("a level at no light leaves angle and breakup where they are", "[vision][raw]") {
  const Answer good = Measure(RawClip().string());
  const std::string clip = Changed("black", [](int, cv::Mat1w& frame) {
    constexpr double kBlack = 250.0;  // six per cent of white; common practice is a few, no source
    frame.convertTo(frame, CV_16U, (kWhite - kBlack) / kWhite, kBlack);
  });
  CheckSame(Measure(clip), good);
}

TEST_CASE("frames before the lamp is on are no spray-free background", "[vision][raw]") {
  const Answer good = Measure(RawClip().string());
  const std::string clip = Changed("dark", [](int number, cv::Mat1w& frame) {
    if (number < 4) frame.convertTo(frame, CV_16U, 0.01);
  });
  const Answer answer = Measure(clip);
  CHECK_FALSE(answer.warned);
  CHECK(std::count(answer.codes.begin(), answer.codes.end(), "lamp_comes_on") == 1);
  CheckSame(answer, good);
}
