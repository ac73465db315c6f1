#include <algorithm>
#include <cmath>

#include <catch2/catch.hpp>
#include <render/exposure.h>
#include <render/rig_file.h>
#include <render/scene.h>
#include <render/timeline.h>

using namespace conebook::render;

namespace {
double Sum(const FloatImage& image) {
  double sum = 0.0;
  for (const float v : image.value) sum += static_cast<double>(v);
  return sum;
}
}  // namespace

// Law: each picture row is what a shutter open for all rows at once sees at that row's own time.
TEST_CASE("a rolling shutter shows each row of the sheet at the row's own time", "[render][clip]") {
  SceneOptions options;
  options.seed = 1011;
  options.group = "clean";
  options.set = {{"half_angle_deg", "35"}, {"wave_mm", "0.6"},     {"px_per_mm", "12"},
                 {"breakup_mm", "30"},     {"lean_deg", "0"},      {"breakup_scatter", "0"},
                 {"exposure_s", "1e-6"},   {"pressures_bar", "5"}, {"pulsation_deg", "0"}};
  const Scene scene = DrawScene(options, nullptr);
  const Spray spray(scene.spray);
  const Camera camera = MakeIdealCamera(601, 260, 12.0, {300.0, 10.0});
  Instant rolled = SteadyInstant(scene, 5.0, 1.0, 1e5);
  rolled.line_s = 12e-6;
  FloatImage signal;
  SheetExtent extent;
  extent.Reset(camera, {}, 230);
  RenderSignal(scene, spray, camera, rolled, {}, false, {}, signal, &extent);
  double moved = 0.0;
  for (const std::size_t row : {60, 100, 140, 180}) {
    const double late_s = 12e-6 * (10.0 + static_cast<double>(row));
    Instant then = rolled;
    then.line_s = 0.0;
    then.time_s += late_s;
    then.travel_mm += 1e3 * late_s * then.axial_m_s;
    SheetExtent whole, first;
    whole.Reset(camera, {}, 230);
    RenderSignal(scene, spray, camera, then, {}, false, {}, signal, &whole);
    first.Reset(camera, {}, 230);
    then.travel_mm = rolled.travel_mm;
    RenderSignal(scene, spray, camera, then, {}, false, {}, signal, &first);
    // Patches are at most a pixel apart.
    CHECK(static_cast<double>(extent.right[row]) ==
          Approx(static_cast<double>(whole.right[row])).margin(0.7));
    CHECK(static_cast<double>(extent.left[row]) == Approx(static_cast<double>(whole.left[row])).margin(0.7));
    moved = std::max(moved, std::abs(static_cast<double>(whole.right[row] - first.right[row])));
  }
  CHECK(moved > 2.0);  // or the test would show nothing
}

TEST_CASE("when the valve shuts in view the spray narrows, leaves and does not come back", "[render][clip]") {
  SceneOptions options;
  options.seed = 1013;
  options.group = "phone";
  options.set = {{"closes", "1"}, {"pressures_bar", "4"}, {"prespray", "1"}, {"axis_deg", "0"}};
  const Scene scene = DrawScene(options, nullptr);
  const Timeline timeline(scene);
  const Spray spray(scene.spray);
  const Camera camera = MakeCamera(scene.camera);
  const double shut_s = scene.stand.close_s - scene.log_minus_video_s;
  const double end_s = scene.recording.frames / scene.recording.fps;
  REQUIRE(shut_s + 0.3 < end_s);
  const auto seen = [&](double t) {
    FloatImage signal;
    RenderSignal(scene, spray, camera, timeline.At(t), {}, true, {}, signal, nullptr);
    return Sum(signal);
  };
  CHECK(seen(shut_s - 0.05) > 1000.0);
  CHECK(timeline.At(shut_s + 1.5 * scene.stand.rise_s).tan_a < timeline.At(shut_s - 0.05).tan_a);
  // Liquid at some metres a second is out of any view within a second's third.
  CHECK(seen(end_s - 0.05) == Approx(0.0).margin(1e-6));
  CHECK(timeline.At(end_s - 0.05).travel_mm > timeline.At(shut_s).travel_mm);
}

// Law: a lens file's focal length and the scale give the distance, and the picture is bent as the file says.
TEST_CASE("the stated camera takes distance and lens from the lens file where the rig is silent",
          "[render][clip]") {
  SceneOptions options;
  options.seed = 1003;
  options.group = "highspeed";
  options.set = {
      {"lens_file", "1"}, {"distance_written", "0"}, {"focal_written", "0"}, {"lens_corner", "0.012"}};
  const Scene scene = DrawScene(options, nullptr);
  const Camera true_camera = MakeCamera(scene.camera);
  const Camera stated = StatedCamera(scene);
  // Both stand for the same scale at the exit, the rig's within its own error of some per cent.
  CHECK(stated.PxPerMmAtExit() == Approx(true_camera.PxPerMmAtExit()).epsilon(0.05));
  CHECK(stated.exit_mm.z == Approx(true_camera.exit_mm.z).epsilon(0.05));
  const auto bend = [](const Camera& camera, Pixel px) {
    const Vec3 ray = camera.Ray(px);
    return Pixel{px.x - camera.centre_x_px - camera.focal_px * ray.x,
                 px.y - camera.centre_y_px - camera.focal_px * ray.y};
  };
  double most = 0.0;
  for (const Pixel px : {Pixel{20.0, 30.0}, Pixel{400.0, 100.0}, Pixel{700.0, 580.0}}) {
    const Pixel by_truth = bend(true_camera, px);
    const Pixel by_rig = bend(stated, px);
    CHECK(by_rig.x == Approx(by_truth.x).margin(1e-3));
    CHECK(by_rig.y == Approx(by_truth.y).margin(1e-3));
    most = std::max(most, std::hypot(by_truth.x, by_truth.y));
  }
  CHECK(most > 1.0);
}
