#include <cmath>
#include <filesystem>
#include <fstream>
#include <iterator>

#include <catch2/catch.hpp>
#include <render/clip.h>
#include <render/recorder.h>
#include <render/scene.h>
#include <render/stand.h>

using namespace conebook::render;

namespace {
StandSetting Steps() {
  StandSetting setting;
  setting.seed = 9;
  setting.drops_bar = {3.0, 6.0};
  setting.starts_s = {1.0, 4.0};
  setting.end_s = 8.0;
  setting.wander = 0.0;
  setting.pressure_noise_bar = 0.0;
  setting.flow_noise = 0.0;
  setting.flow_area_mm2 = 0.6;
  return setting;
}

std::string Contents(const std::filesystem::path& path) {
  std::ifstream in(path, std::ios::binary);
  return {std::istreambuf_iterator<char>(in), {}};
}
}  // namespace

// Source: IAPWS SR6-08 at 25 C (997.047013); Tanaka et al., Metrologia 38 (2001) 301 at 4 C (999.975).
TEST_CASE("the stand's water has the published density", "[render][stand]") {
  CHECK(WaterDensity(25.0) == Approx(997.047).margin(0.01));
  CHECK(WaterDensity(4.0) == Approx(999.975).margin(0.01));
}

// Source: plain orifice of 1 mm, Cd 0.8, 1000 kg/m3, 5 bar: 0.0198692 kg/s (spray-physics reference).
TEST_CASE("flow obeys the square-root law", "[render][stand]") {
  StandSetting setting = Steps();
  setting.drops_bar = {5.0};
  setting.starts_s = {1.0};
  setting.density_kg_m3 = 1000.0;
  setting.flow_area_mm2 = 0.8 * 0.25 * 3.14159265358979;
  CHECK(Stand(setting).FlowKgS(5.0) == Approx(0.0198692).epsilon(1e-5));
  const Stand stand(Steps());
  CHECK(stand.FlowKgS(7.9) / stand.FlowKgS(3.9) == Approx(std::sqrt(2.0)).epsilon(1e-4));
}

TEST_CASE("the log's flow settles on the law behind the meter's lag", "[render][stand]") {
  StandSetting setting = Steps();
  setting.meter_lag_s = 0.2;
  const Stand stand(setting);
  const auto points = stand.Points();
  REQUIRE(points.size() == 2);
  CHECK(points[0].drop_bar == Approx(3.0).epsilon(1e-3));
  CHECK(points[1].drop_bar == Approx(6.0).epsilon(1e-3));
  for (const auto& row : stand.Log()) {
    if (row.time_s < 0.99) CHECK(row.tap_bar == Approx(0.0).margin(1e-12));
    if (row.time_s > 3.0 && row.time_s < 3.99)
      CHECK(row.flow_kg_s == Approx(points[0].flow_kg_s).epsilon(2e-3).margin(1e-4));
    // One lag after the step the meter has gone 1 - 1/e of the way, less the pressure's own rise.
    if (std::abs(row.time_s - 4.2) < 1e-6) {
      const double part = (row.flow_kg_s - points[0].flow_kg_s) / (points[1].flow_kg_s - points[0].flow_kg_s);
      CHECK(part > 0.4);
      CHECK(part < 0.65);
    }
  }
}

TEST_CASE("pulses are whole, and together they count the volume", "[render][stand]") {
  StandSetting setting = Steps();
  const Stand stand(setting);
  double pulses = 0.0;
  for (const auto& row : stand.Log()) {
    const double whole = row.pulse_hz / setting.rate_hz;
    CHECK(whole == Approx(std::round(whole)).margin(1e-9));
    if (row.time_s > 5.0 && row.time_s <= 8.0) pulses += whole;
  }
  const double expected =
      stand.Points()[1].flow_kg_s / setting.density_kg_m3 * 1e3 * setting.k_factor_per_l * 3.0;
  CHECK(pulses == Approx(expected).margin(1.5));
}

// Source: ITU-R BT.709, opto-electronic transfer characteristic.
TEST_CASE("coding is that of BT.709", "[render][recorder]") {
  CHECK(Bt709(0.01) == Approx(0.045));
  CHECK(Bt709(0.5) == Approx(1.099 * std::pow(0.5, 0.45) - 0.099));
  CHECK(Bt709(1.0) == Approx(1.0));
}

TEST_CASE("the same seed gives the same clip, rig, log and truth", "[render][clip]") {
  SceneOptions options;
  options.seed = 31;
  options.group = "phone";
  options.set = {{"width", "320"},  {"height", "240"},    {"frames", "12"},
                 {"codec", "h264"}, {"container", "mp4"}, {"open_video_s", "0.1"}};
  ClipOptions clip;
  clip.truth_frames = 4;
  const auto base = std::filesystem::temp_directory_path() / "conebook_render_same";
  std::filesystem::remove_all(base);
  for (const char* name : {"a", "b"}) RenderClip(DrawScene(options, nullptr), base / name, clip);
  for (const char* file : {"clip.mp4", "rig.toml", "log.csv", "truth.json"}) {
    const std::string a = Contents(base / "a" / file);
    CHECK(a.size() > 100);
    CHECK(a == Contents(base / "b" / file));
  }
  std::filesystem::remove_all(base);
}

TEST_CASE("setting one value leaves the draws of the others alone", "[render][scene]") {
  SceneOptions options;
  options.seed = 8;
  const Scene plain = DrawScene(options, nullptr);
  options.set = {{"blur_px", "1.25"}};
  const Scene set = DrawScene(options, nullptr);
  CHECK(set.look.blur_px == 1.25);
  CHECK(set.spray.half_angle_deg == plain.spray.half_angle_deg);
  CHECK(set.recording.exposure_s == plain.recording.exposure_s);
  CHECK(set.stand.flow_area_mm2 == plain.stand.flow_area_mm2);
  options.set = {{"blur_pix", "1.25"}};
  CHECK_THROWS_AS(DrawScene(options, nullptr), std::invalid_argument);
}

// The rig's errors must be draws from its u: over many clips the reduced error has unit variance.
TEST_CASE("stated rig values err as their u says", "[render][scene]") {
  double sum2 = 0.0;
  int n = 0;
  for (std::uint64_t seed = 1; seed <= 150; ++seed) {
    SceneOptions options;
    options.seed = seed;
    const Scene s = DrawScene(options, nullptr);
    for (const Stated& v : {s.px_per_mm, s.tilt_deg, s.axis_deg, s.distance_mm, s.exit_x_px}) {
      if (!v.stated) continue;
      sum2 += std::pow((*v.stated - v.truth) / *v.u, 2);
      ++n;
    }
  }
  // Chi-square over some 600 values: 1 +- 0.06 (k = 1).
  CHECK(sum2 / n == Approx(1.0).margin(0.2));
}
