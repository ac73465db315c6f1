// Footage with something wrong with it, rendered or spoilt on purpose: refused, or measured with a warning.
#include <algorithm>
#include <cmath>
#include <cstdint>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <optional>
#include <string>
#include <vector>

#include <catch2/catch.hpp>
#include <opencv2/core.hpp>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>

#include <vision/footage.h>
#include <vision/spray_measurement.h>

#include "scratch.h"
#include "small_clip.h"

using namespace conebook;
using namespace conebook::tests;
namespace fs = std::filesystem;

namespace {

// The clip with the middle of its first key frame overwritten (MPEG-4 container, ISO/IEC 14496-15: NAL units
// with four bytes of length before each; type 5 is an IDR slice, ISO/IEC 14496-10 table 7-1, from memory).
std::string DamagedHead() {
  std::ifstream in(GoodClip(), std::ios::binary);
  std::string bytes((std::istreambuf_iterator<char>(in)), std::istreambuf_iterator<char>());
  std::size_t at = bytes.find("mdat") + 4;
  std::size_t length = 0;
  for (;;) {
    length = 0;
    for (std::size_t k = 0; k < 4; ++k) length = 256 * length + static_cast<unsigned char>(bytes[at + k]);
    if ((static_cast<unsigned char>(bytes[at + 4]) & 31U) == 5U) break;
    at += 4 + length;
    REQUIRE(at + 5 < bytes.size());
  }
  unsigned state = 3;
  for (std::size_t k = length / 3; k < length / 2; ++k) {
    state = state * 1664525U + 1013904223U;
    bytes[at + 4 + k] = static_cast<char>(state >> 24U);
  }
  const fs::path damaged = GoodClip().parent_path() / "damaged.mp4";
  std::ofstream(damaged, std::ios::binary) << bytes;
  return damaged.string();
}

}  // namespace

TEST_CASE("a background at full scale is seen in back light, by degrees", "[vision][faulty]") {
  const vision::ClipReading good = vision::ReadClip(GoodClip().string(), ViewOfClip(), {});
  CHECK_FALSE(Find(good.flags, "overexposed_in_part"));
  CHECK_FALSE(good.Rejected());
  const vision::ClipReading over = vision::ReadClip(Clip("over", "gain=2").string(), ViewOfClip(), {});
  CHECK_FALSE(over.Rejected());
  REQUIRE(Find(over.flags, "overexposed_in_part"));
  CHECK(Find(over.flags, "overexposed_in_part")->severity == calib::Severity::kWarn);
  // All light lost: not "check the valve".
  const vision::ClipReading lost = vision::ReadClip(Clip("lost", "gain=5").string(), ViewOfClip(), {});
  REQUIRE(lost.Rejected());
  CHECK(Find(lost.flags, "overexposed"));
  CHECK_FALSE(Find(lost.flags, "no_spray"));
}

TEST_CASE("without a scale, stations count in exit diameters", "[vision][faulty]") {
  vision::View view = ViewOfClip();
  view.px_per_mm.reset();
  view.distance_mm.reset();
  // A grey film, which shows from the exit on.
  const std::string clip = Clip("grey", "film=grey wall_depth=0.9").string();
  const vision::ClipReading reading = vision::ReadClip(clip, view, {});
  REQUIRE_FALSE(reading.Rejected());
  const vision::SprayMeasurement by_exit = vision::MeasureSpray(reading, view, {});
  REQUIRE(by_exit.points[0].half_angle);
  CHECK(by_exit.near_mm == Approx(2.0));  // the default
  const vision::ClipReading scaled = vision::ReadClip(clip, ViewOfClip(), {});
  const vision::SprayMeasurement by_mm = vision::MeasureSpray(scaled, ViewOfClip(), {});
  // The far one follows the breakup: the exit's width in the picture, true within 15 %, is the measure.
  CHECK(by_exit.far_mm == Approx(by_mm.far_mm / 1.2).epsilon(0.15));
  view.near_mm = 3.0;
  view.far_mm = 9.0;
  const vision::SprayMeasurement stated = vision::MeasureSpray(reading, view, {});
  CHECK(stated.near_mm == Approx(3.0));
  CHECK(stated.far_mm == Approx(9.0));
  // The same line, so the same angle, by either measure.
  CHECK(by_exit.points[0].half_angle->mean_deg.value ==
        Approx(by_mm.points[0].half_angle->mean_deg.value).margin(0.3));
}

TEST_CASE("a close-up of drops may leave the exit outside the picture", "[vision][faulty]") {
  vision::View view = ViewOfClip();
  view.shows = vision::Shows::kDrops;
  for (const double y_px : {-200.0, 46.0}) {
    view.exit_y_px = Known(y_px, 0.3);
    const vision::ClipReading reading = vision::ReadClip(GoodClip().string(), view, {});
    REQUIRE_FALSE(reading.Rejected());
    const vision::SprayMeasurement drops = vision::MeasureSpray(reading, view, {});
    REQUIRE(drops.points.size() == 1);
    CHECK(drops.points[0].frames > 0);
    CHECK_FALSE(drops.points[0].half_angle);
    CHECK_FALSE(drops.points[0].breakup_mm);
    // It shows a cone, and drops of two pixels: none that can be sized.
    REQUIRE(drops.flags.size() == 1);
    CHECK(drops.flags[0].quantity == "d32_um");
  }
  view.exit_x_px.reset();
  view.exit_y_px.reset();
  CHECK_FALSE(vision::ReadClip(GoodClip().string(), view, {}).Rejected());
}

TEST_CASE("a damaged first key frame is flagged, and every run says the same", "[vision][faulty]") {
  const std::string clip = DamagedHead();
  std::optional<double> angle;
  for (const int threads : {1, 2, 5}) {
    vision::ReadOptions options;
    options.threads = threads;
    const vision::ClipReading reading = vision::ReadClip(clip, ViewOfClip(), options);
    CHECK(Find(reading.flags, "truncated"));
    REQUIRE_FALSE(reading.Rejected());
    const vision::SprayMeasurement spray = vision::MeasureSpray(reading, ViewOfClip(), {});
    REQUIRE(spray.points[0].half_angle);
    if (angle) CHECK(spray.points[0].half_angle->mean_deg.value == *angle);
    angle = spray.points[0].half_angle->mean_deg.value;
    CHECK(*angle == Approx(34.0).margin(0.5));
  }
}

TEST_CASE("sides warped to and fro are flagged, straight ones are not", "[vision][faulty]") {
  cv::Mat map_x(360, 480, CV_32F);
  cv::Mat map_y(360, 480, CV_32F);
  for (int y = 0; y < 360; ++y) {
    for (int x = 0; x < 480; ++x) {
      const double wave = y < 60 ? 0.0 : 3.0 * std::sin(2.0 * CV_PI * (y - 60) / 100.0);
      map_x.at<float>(y, x) = static_cast<float>(x + (x < 241 ? wave : -wave));
      map_y.at<float>(y, x) = static_cast<float>(y);
    }
  }
  vision::View view = ViewOfClip();
  view.fps = 30.0;
  for (const bool warped : {false, true}) {
    const fs::path folder = GoodClip().parent_path() / (warped ? "warped" : "straight");
    fs::create_directories(folder);
    const auto footage = vision::OpenFootage(GoodClip().string(), vision::FootageOptions{});
    vision::LumaFrame frame;
    for (int k = 0; footage->Next(frame); ++k) {
      cv::Mat grey(360, 480, CV_8U);
      for (int y = 0; y < grey.rows; ++y) std::copy_n(frame.Row<std::uint8_t>(y), grey.cols, grey.ptr(y));
      if (warped) cv::remap(grey, grey, map_x, map_y, cv::INTER_LINEAR, cv::BORDER_REPLICATE);
      cv::imwrite((folder / ("f" + std::to_string(1000 + k) + ".png")).string(), grey);
    }
    const vision::ClipReading reading = vision::ReadClip(folder.string(), view, {});
    REQUIRE_FALSE(reading.Rejected());
    const vision::SprayMeasurement spray = vision::MeasureSpray(reading, view, {});
    INFO((warped ? "warped" : "straight"));
    CHECK((Find(spray.flags, "sides_not_straight") != nullptr) == warped);
  }
}

// One spray, filmed otherwise: what the camera and the stand do to the picture is not the spray's. Noise and
// compression are other ones each time: a tenth of a degree and 2 % are two of what the clip's u leaves.
TEST_CASE(
    "codec, range, rotation, haze, vignetting, a recess and a wet face leave the numbers where they are",
    "[vision][faulty]") {
  const auto measure = [](const std::string& name, const std::string& more) {
    const vision::View view = ViewOfClip();
    const vision::ClipReading reading = vision::ReadClip(Clip(name, more).string(), view, {});
    REQUIRE_FALSE(reading.Rejected());
    const vision::SprayMeasurement spray = vision::MeasureSpray(reading, view, {});
    for (const std::vector<calib::Flag>* flags : {&reading.flags, &spray.flags}) {
      for (const calib::Flag& flag : *flags) {
        INFO(name << ": " << flag.code << ": " << flag.message);
        CHECK(flag.severity == calib::Severity::kInfo);
      }
    }
    REQUIRE(spray.points.at(0).half_angle);
    REQUIRE(spray.points[0].breakup_mm);
    return spray.points[0];
  };
  const vision::SprayPoint good = measure("as-filmed", "gain=1");
  int number = 0;
  for (const char* more :
       {"codec=hevc", "codec=hevc ten_bit=1", "full_range=1", "rotation=90", "haze=0.2 haze_rise_s=0.3",
        "vignetting=0.6", "exposure_drift=0.15", "recess_mm=1.5", "wet_mm=2"}) {
    INFO(more);
    const vision::SprayPoint point = measure("other-" + std::to_string(++number), more);
    CHECK(point.half_angle->mean_deg.value == Approx(good.half_angle->mean_deg.value).margin(0.1));
    CHECK(point.half_angle->lean_deg.value == Approx(good.half_angle->lean_deg.value).margin(0.1));
    CHECK(point.breakup_mm->value == Approx(good.breakup_mm->value).epsilon(0.02));
  }
}

TEST_CASE("a lean that changes with the draught widens its own interval, not the half angle's",
          "[vision][faulty]") {
  const auto measure = [](const std::string& name, const std::string& more) {
    const vision::View view = ViewOfClip();
    const vision::ClipReading reading = vision::ReadClip(Clip(name, more).string(), view, {});
    REQUIRE_FALSE(reading.Rejected());
    vision::SprayMeasurement spray = vision::MeasureSpray(reading, view, {});
    REQUIRE(spray.points.at(0).half_angle);
    return *spray.points[0].half_angle;
  };
  const vision::HalfAngle calm = measure("calm", "gain=1");
  const auto lean_swings = [&](const std::string& hz) {
    const vision::HalfAngle draughty = measure("draught", "lean_swing_deg=1.5 lean_swing_hz=" + hz);
    INFO(hz << " Hz");
    CHECK(std::abs(draughty.lean_deg.value - calm.lean_deg.value) < 2.0 * draughty.lean_deg.u);
    CHECK(draughty.mean_deg.u < 2.0 * calm.mean_deg.u);
    CHECK(draughty.mean_deg.value == Approx(calm.mean_deg.value).margin(0.1));
    return draughty.lean_deg;
  };
  // Less than a whole swing cannot be told from a lean; two and more are taken out.
  CHECK(lean_swings("0.5").u > 3.0 * calm.lean_deg.u);
  CHECK(lean_swings("2").value == Approx(calm.lean_deg.value).margin(0.05));
}
