#include "src/overlay_video.h"

#include <algorithm>
#include <cmath>
#include <filesystem>
#include <fstream>
#include <string>

#include <catch2/catch.hpp>
#include <fmt/format.h>
#include <opencv2/imgcodecs.hpp>

#include <calib/error.h>
#include <vision/footage.h>

#include "sample_run.h"

namespace {

using namespace conebook;
using namespace conebook::src;
namespace fs = std::filesystem;

struct Folder {
  fs::path path;
  Folder() {
    std::string name = (fs::temp_directory_path() / "conebook-film-XXXXXX").string();
    REQUIRE(::mkdtemp(name.data()) != nullptr);
    path = name;
  }
  ~Folder() {
    std::error_code ignored;
    fs::remove_all(path, ignored);
  }
  std::string In(const char* name) const { return (path / name).string(); }
};

// The still of the made-up run's first point, over and over: a clip without anything that moves.
std::string StillClip(const Folder& folder, const cv::Mat& still, int frames) {
  const fs::path clip = folder.path / "frames";
  fs::create_directories(clip);
  for (int i = 0; i < frames; ++i) REQUIRE(cv::imwrite((clip / fmt::format("{:03}.png", i)).string(), still));
  return clip.string();
}

std::string BytesOf(const std::string& path) {
  std::ifstream file(path, std::ios::binary);
  return {std::istreambuf_iterator<char>(file), {}};
}

// One point, from the second to the fourth tenth of a second at 20 frames a second.
Run ShortRun() {
  Run run = testing::MadeRun();
  run.points.resize(1);
  run.points[0].video = vision::TimeSpan{0.19, 0.41};
  return run;
}

// Mean of 5 x 5 luma values about a place.
double LumaAt(const vision::LumaFrame& frame, const cv::Point2f& place) {
  double sum = 0.0;
  for (int dy = -2; dy <= 2; ++dy)
    for (int dx = -2; dx <= 2; ++dx)
      sum += frame.Row<std::uint8_t>(cvRound(place.y) + dy)[cvRound(place.x) + dx];
  return sum / 25.0;
}

// The brightest row across a place, mean over 21 columns: what a level line would be.
double BrightestRowAt(const vision::LumaFrame& frame, const cv::Point2f& place) {
  double brightest = 0.0;
  for (int dy = -3; dy <= 3; ++dy) {
    double sum = 0.0;
    for (int dx = -10; dx <= 10; ++dx)
      sum += frame.Row<std::uint8_t>(cvRound(place.y) + dy)[cvRound(place.x) + dx];
    brightest = std::max(brightest, sum / 21.0);
  }
  return brightest;
}

}  // namespace

TEST_CASE("the film shows the stations in the frames of the point, and only there", "[src][overlay_video]") {
  const Folder folder;
  const Run run = ShortRun();
  const std::string clip = StillClip(folder, run.points[0].spray.still, 12);
  OverlayVideoOptions options;
  options.fps = 20.0;
  WriteOverlayVideo(run, clip, folder.In("film.mp4"), options);

  const auto film = vision::OpenFootage(folder.In("film.mp4"), {});
  CHECK(film->Format().UprightWidth() == 1280);
  CHECK(film->Format().UprightHeight() == 720);
  const auto& spray = run.points[0].spray;
  const cv::Point2f on_far_station = (spray.line_left[1] + spray.line_right[1]) * 0.5F;
  const cv::Point2f away(1200.0F, 300.0F);
  double bare_away = 0.0;
  vision::LumaFrame frame;
  int count = 0;
  for (; film->Next(frame); ++count) {
    INFO("frame " << count);
    CHECK(frame.stamp_s == Approx(count / 25.0).margin(1e-3));
    if (count == 0) {
      bare_away = LumaAt(frame, away);
      // Grey 196 of 255 as limited-range luma, ITU-R BT.601: 16 + 196 * 219 / 255 = 184.3.
      CHECK(bare_away == Approx(184.3).margin(2.0));
    }
    const bool in_point = count >= 4 && count <= 8;  // 0.20 s to 0.40 s
    // The sheet there is grey 140 to 171, luma 136 to 163; the station's line is white, luma 235.
    CHECK((BrightestRowAt(frame, on_far_station) > 190.0) == in_point);
    CHECK(LumaAt(frame, away) == Approx(bare_away).margin(2.0));
  }
  CHECK(count == 12);
}

TEST_CASE("the same run gives the same film, whatever the number of threads", "[src][overlay_video]") {
  const Folder folder;
  const Run run = ShortRun();
  const std::string clip = StillClip(folder, run.points[0].spray.still, 10);
  OverlayVideoOptions options;
  options.fps = 20.0;
  for (const int threads : {1, 2}) {
    options.threads = threads;
    WriteOverlayVideo(run, clip, folder.In(threads == 1 ? "one.mp4" : "two.mp4"), options);
  }
  const std::string one = BytesOf(folder.In("one.mp4"));
  CHECK(one.size() > 1000);
  CHECK(one == BytesOf(folder.In("two.mp4")));
}

TEST_CASE("frames of odd size lose their last row and column in the film", "[src][overlay_video]") {
  const Folder folder;
  const std::string clip = StillClip(folder, cv::Mat(61, 81, CV_8U, cv::Scalar(90)), 3);
  WriteOverlayVideo(Run{}, clip, folder.In("film.mp4"), {});
  const auto film = vision::OpenFootage(folder.In("film.mp4"), {});
  CHECK(film->Format().UprightWidth() == 80);
  CHECK(film->Format().UprightHeight() == 60);
}

TEST_CASE("a film that cannot be written, or is broken off, leaves nothing behind", "[src][overlay_video]") {
  const Folder folder;
  const std::string clip = StillClip(folder, cv::Mat(60, 80, CV_8U, cv::Scalar(90)), 3);
  CHECK_THROWS_AS(WriteOverlayVideo(Run{}, clip, folder.In("missing/film.mp4"), {}), calib::InputError);
  OverlayVideoOptions stopped;
  stopped.should_stop = [] { return true; };
  CHECK_THROWS_AS(WriteOverlayVideo(Run{}, clip, folder.In("film.mp4"), stopped), vision::Interrupted);
  CHECK(std::distance(fs::directory_iterator(folder.path), {}) == 1);
}

// Not run by ctest: writes a film to look at into the working folder.
TEST_CASE("write a sample film", "[.pages]") {
  const Folder folder;
  const Run run = ShortRun();
  OverlayVideoOptions options;
  options.fps = 20.0;
  WriteOverlayVideo(run, StillClip(folder, run.points[0].spray.still, 12), "film.mp4", options);
}
