// Stages of the spray from outlines drawn by formula, then from clips. Definitions: A. H. Lefebvre,
// Atomization and Sprays, stages of spray development of a simplex atomizer (from memory).
#include <cmath>
#include <cstdint>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <functional>
#include <string>
#include <vector>

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>
#include <opencv2/core.hpp>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>

#include <vision/spray_measurement.h>
#include <vision/spray_stage.h>

#include "scratch.h"

using namespace conebook;
using vision::SprayStage;
namespace fs = std::filesystem;

namespace {

constexpr double kRadians = CV_PI / 180.0;
constexpr double kExit = 10.0;  // radius, px

double Cone(double z, double half_angle_deg) {
  return std::hypot(kExit, z * std::tan(half_angle_deg * kRadians));
}
// A throw under a constant pull, on its side: it leaves at the half angle and is back after `closes`.
double Bell(double z, double half_angle_deg, double closes) {
  return std::hypot(kExit, z * std::max(0.0, 1.0 - z / closes) * std::tan(half_angle_deg * kRadians));
}

vision::Outline Outline(double length, const std::function<double(double)>& half_width, double lean = 0.0) {
  vision::Outline outline;
  outline.exit_radius = kExit;
  for (double z = 2.0; z < 500.0; z += 1.0) {
    vision::OutlineRow row;
    row.z = z;
    if (z < length) {
      row.left = half_width(z) - lean * z;
      row.right = half_width(z) + lean * z;
      row.scatter = 0.01 * half_width(z);
      row.ragged = 0.1;
      row.found = 1.0;
    }
    outline.rows.push_back(row);
  }
  return outline;
}

std::optional<SprayStage> StageOf(const vision::Outline& outline) {
  const vision::StageReading reading = vision::StageOf(outline, {});
  UNSCOPED_INFO(reading.why);
  return reading.stage;
}

vision::Outline Mirrored(vision::Outline outline) {
  for (vision::OutlineRow& row : outline.rows) std::swap(row.left, row.right);
  return outline;
}

vision::Outline Scaled(vision::Outline outline, double factor) {
  outline.exit_radius *= factor;
  outline.pixel *= factor;
  for (vision::OutlineRow& row : outline.rows) {
    for (double* v : {&row.z, &row.left, &row.right, &row.scatter, &row.ragged}) *v *= factor;
  }
  return outline;
}

// Torn edge and drops from there on: the sides jump from row to row.
vision::Outline Torn(vision::Outline outline, double from) {
  for (vision::OutlineRow& row : outline.rows) {
    if (row.z > from) row.ragged = 3.0;
  }
  return outline;
}

struct Drawn {
  const char* name;
  std::optional<SprayStage> stage;
  vision::Outline outline;
};

std::vector<Drawn> AllStages() {
  return {{"hanging drop", SprayStage::kDribble,
           Outline(30.0, [](double z) { return std::sqrt(std::max(0.0, 225.0 - (z - 15.0) * (z - 15.0))); })},
          {"jet", SprayStage::kDistortedPencil,
           Outline(
               600.0, [](double z) { return kExit + 1.5 * std::sin(z / 20.0) + 0.02 * z; }, 0.03)},
          {"bubble", SprayStage::kOnion, Outline(600.0, [](double z) { return Bell(z, 35.0, 250.0); })},
          {"bell, open", SprayStage::kTulip,
           Torn(Outline(
                    220.0, [](double z) { return Bell(z, 35.0, 450.0); }, 0.02),
                190.0)},
          {"cone", SprayStage::kFullyDeveloped, Outline(250.0, [](double z) { return Cone(z, 30.0); })}};
}

}  // namespace

// Source: spray-physics reference, sheet kinematics: r(z) of a free sheet for r0 = 1, 40 degrees, computed.
TEST_CASE("the published hyperboloid is straight, and gives its angle back", "[vision][stage]") {
  std::vector<double> z, w;
  for (int i = 1; i <= 40; ++i) {
    z.push_back(0.5 * i);
    w.push_back(std::hypot(1.0, 0.5 * i * std::tan(40.0 * kRadians)));
  }
  CHECK(w[1] == Approx(1.30541).epsilon(1e-5));
  CHECK(w[39] == Approx(16.8118).epsilon(1e-5));
  const auto fit = vision::FitBell(z, w, 1.0);
  REQUIRE(fit);
  CHECK(std::atan(fit->tan_a) / kRadians == Approx(40.0).margin(1e-4));
  CHECK(fit->Bend(20.0) == Approx(0.0).margin(1e-6));
}

// School mechanics: under a constant pull a throw loses its climb evenly, all of it half way.
TEST_CASE("a bell seen to a quarter of its length has lost half its slope, to its half all of it",
          "[vision][stage]") {
  for (const double seen : {0.25, 0.5}) {
    std::vector<double> z, w;
    for (double at = 4.0; at < 400.0 * seen + 0.5; at += 1.0) {
      z.push_back(at);
      w.push_back(Bell(at, 35.0, 400.0) + 1.3);  // the edge's blur shifts it, and must not matter
    }
    const auto fit = vision::FitBell(z, w, kExit);
    REQUIRE(fit);
    CHECK(fit->Bend(400.0 * seen) == Approx(2.0 * seen).epsilon(1e-3));
    CHECK(std::atan(fit->tan_a) / kRadians == Approx(35.0).margin(0.05));
  }
}

// The middle between the sides of a wide cone moves by far more than the tangent of its lean: both sides'
// slopes differ by 0.69 where a cone of 55 degrees leans by 7.
TEST_CASE("a cone that leans is fully developed, however wide it is", "[vision][stage]") {
  for (const double half_angle : {15.0, 35.0, 55.0, 60.0}) {
    vision::Outline outline = Outline(300.0, [&](double z) { return Cone(z, half_angle); });
    constexpr double kLeanDeg = 7.0;
    for (vision::OutlineRow& row : outline.rows) {
      if (row.found == 0.0) continue;
      row.left = Cone(row.z, half_angle - kLeanDeg);
      row.right = Cone(row.z, half_angle + kLeanDeg);
    }
    INFO(half_angle);
    CHECK(StageOf(outline) == SprayStage::kFullyDeveloped);
    CHECK(StageOf(Mirrored(outline)) == SprayStage::kFullyDeveloped);
  }
}

TEST_CASE("each stage is told from its outline, mirrored and at any scale the same", "[vision][stage]") {
  for (const Drawn& drawn : AllStages()) {
    INFO(drawn.name);
    CHECK(StageOf(drawn.outline) == drawn.stage);
    CHECK(StageOf(Mirrored(drawn.outline)) == drawn.stage);
    CHECK(StageOf(Scaled(drawn.outline, 0.25)) == drawn.stage);
    CHECK(StageOf(Scaled(drawn.outline, 3.0)) == drawn.stage);
  }
}

TEST_CASE("cones of 15 to 60 degrees with growing waves on them are fully developed", "[vision][stage]") {
  for (double deg = 15.0; deg <= 60.0; deg += 3.0) {
    // Waves grow e-fold after e-fold and widen the envelope (measurement notes, visible boundary).
    const auto wavy = [&](double z) {
      return Cone(z, deg) + 0.03 * 220.0 * std::exp(3.0 * (z / 220.0 - 1.0));
    };
    INFO(deg);
    CHECK(StageOf(Outline(220.0, wavy)) == SprayStage::kFullyDeveloped);
  }
}

TEST_CASE("between two stages there is no stage, and a reason", "[vision][stage]") {
  // Bend 2 L / zc = 0.25: neither straight nor a tulip.
  const auto bent = vision::StageOf(Outline(200.0, [](double z) { return Bell(z, 35.0, 1600.0); }), {});
  CHECK_FALSE(bent.stage);
  CHECK_FALSE(bent.undeveloped);
  CHECK(bent.why.find("between tulip and fully developed") != std::string::npos);
  // Drawn in below its middle, not closed.
  const auto hanging = vision::StageOf(Outline(340.0, [](double z) { return Bell(z, 35.0, 380.0); }), {});
  CHECK_FALSE(hanging.stage);
  CHECK(hanging.undeveloped);
  CHECK(hanging.why.find("between onion and tulip") != std::string::npos);
  // Nothing there.
  const auto nothing = vision::StageOf(Outline(0.0, [](double) { return 0.0; }), {});
  CHECK_FALSE(nothing.stage);
  CHECK_FALSE(nothing.undeveloped);
}

TEST_CASE("drops beyond a cone's end do not bend its sides", "[vision][stage]") {
  const vision::Outline cone = Outline(400.0, [](double z) {
    return z < 200.0 ? Cone(z, 30.0)
                     : Cone(200.0, 30.0) - 0.3 * (z - 200.0);  // the cloud thins out at its sides
  });
  CHECK(StageOf(Torn(cone, 200.0)) == SprayStage::kFullyDeveloped);
}

TEST_CASE("a wide cone whose rim is lost where its sheet ends is no tulip", "[vision][stage]") {
  // Followed inwards over the last sixth, as where light leaves a wide cone's rim.
  const vision::Outline outline =
      Outline(110.0, [](double z) { return z < 92.0 ? Cone(z, 59.0) : Cone(92.0, 59.0) - 0.6 * (z - 92.0); });
  const vision::StageReading reading = vision::StageOf(outline, {});
  INFO(reading.why);
  CHECK(reading.stage == SprayStage::kFullyDeveloped);
  CHECK(reading.half_angle_deg == Approx(59.0).margin(1.0));
}

TEST_CASE("a drop on the window, across the edge near the exit, ends no cone", "[vision][stage]") {
  vision::Outline outline = Outline(450.0, [](double z) { return Cone(z, 27.0); });
  for (vision::OutlineRow& row : outline.rows) {
    if (row.z > 35.0 && row.z < 68.0) row.ragged = 1.6;
  }
  CHECK(StageOf(outline) == SprayStage::kFullyDeveloped);
}

TEST_CASE("a rim that is lost below one exit diameter leaves a cone of unknown stage", "[vision][stage]") {
  vision::Outline outline = Outline(200.0, [](double z) { return Cone(z, 58.0); });
  for (vision::OutlineRow& row : outline.rows) {
    if (row.z > 38.0) row.ragged = 3.0;
  }
  const vision::StageReading reading = vision::StageOf(outline, {});
  CHECK_FALSE(reading.stage);
  CHECK_FALSE(reading.shapeless);
}

// A wide still sheet that is on from the first frame may be in the background near the exit.
TEST_CASE("an outline about the axis whose first rows are not seen is a spray of unknown stage",
          "[vision][stage]") {
  vision::Outline outline = Outline(450.0, [](double z) { return Cone(z, 45.0); });
  for (vision::OutlineRow& row : outline.rows) {
    if (row.z < 190.0) row.found = 0.3;
  }
  const vision::StageReading reading = vision::StageOf(outline, {});
  CHECK_FALSE(reading.stage);
  CHECK_FALSE(reading.shapeless);
  CHECK_FALSE(reading.undeveloped);
}

TEST_CASE("what moves beside the axis is no stage", "[vision][stage]") {
  CHECK_FALSE(StageOf(Outline(
      400.0, [](double z) { return 40.0 + 0.1 * z; }, 0.6)));
}

// Tate's law for water, 72.8 mN/m and 998 kg/m3 at 20 C: a 1 mm exit lets go of drops of 6 sigma d / (rho g)
// = 44.6 mm3, 3.5 mm across.
TEST_CASE("what is wider than any drop that could hang there is no dribble", "[vision][stage]") {
  CHECK(vision::LargestDropMm(1.0) ==
        Approx(std::cbrt(6.0 * 0.0728 * 1e-3 / (998.0 * 9.80665) * 1e9)).epsilon(0.01));
  vision::Outline drop = AllStages()[0].outline;
  drop.largest_drop = 35.0;  // exit of 20 px: 1 mm, say
  CHECK(StageOf(drop) == SprayStage::kDribble);
  vision::Outline onion = Outline(140.0, [](double z) { return Bell(z, 58.0, 140.0); });
  onion.largest_drop = 70.0;
  CHECK(StageOf(onion) == SprayStage::kOnion);
}

TEST_CASE("names of the stages read back", "[vision][stage]") {
  for (const SprayStage stage : {SprayStage::kDribble, SprayStage::kDistortedPencil, SprayStage::kOnion,
                                 SprayStage::kTulip, SprayStage::kFullyDeveloped})
    CHECK(vision::StageNamed(vision::NameOf(stage)) == stage);
  CHECK_FALSE(vision::StageNamed("cone"));
}

namespace {

// A silhouette as a film of given darkness with dark rims, ten frames of it after four without.
std::string DrawnClip(const std::string& name, const std::function<double(double)>& half_width, double length,
                      double scale, bool mirrored) {
  const fs::path folder = conebook::tests::ScratchFolder("stage-" + name);
  fs::create_directories(folder);
  const cv::Size size(static_cast<int>(320 * scale), static_cast<int>(300 * scale));
  const double exit_x = (mirrored ? 170.0 : 149.0) * scale;
  const double exit_y = 24.0 * scale;
  cv::Mat noise(size, CV_8U);
  cv::RNG random(7);
  for (int k = 0; k < 14; ++k) {
    cv::Mat1f light(size, 200.0F);
    cv::rectangle(light,
                  cv::Rect(static_cast<int>(exit_x - 20 * scale), 0, static_cast<int>(40 * scale),
                           static_cast<int>(exit_y)),
                  cv::Scalar(20.0), cv::FILLED);
    for (int y = static_cast<int>(exit_y); k >= 4 && y < size.height; ++y) {
      const double z = y - exit_y;
      if (z > 1.2 * length * scale) break;
      // A torn edge: every few rows one comes out much narrower than the next.
      const bool torn = z > length * scale && random.uniform(0, 3) == 0;
      const double wave = 0.3 * scale * std::sin(0.1 * z / scale + 2.0 * k);
      const double w = half_width(z / scale) * scale * (torn ? random.uniform(0.5, 0.9) : 1.0) + wave;
      for (int x = 0; x < size.width; ++x) {
        const double in = w - std::abs(x - exit_x);
        if (in <= -1.0) continue;
        const double cover = std::min(1.0, in + 1.0);
        const double rim = 0.75 * std::exp(-std::max(0.0, in) / (2.5 * scale)) + 0.15;
        light(y, x) *= static_cast<float>(1.0 - cover * rim);
      }
    }
    cv::Mat frame;
    light.convertTo(frame, CV_8U);
    random.fill(noise, cv::RNG::UNIFORM, 0, 4);
    frame += noise;
    cv::imwrite((folder / cv::format("f%02d.png", k)).string(), frame);
  }
  return folder.string();
}

vision::View DrawnView(double scale, bool mirrored) {
  vision::View view;
  const auto exactly = [](double value, double u) { return calib::Stated{value, u, false, false}; };
  view.px_per_mm = exactly(10.0 * scale, 0.01);
  view.exit_x_px = exactly((mirrored ? 170.0 : 149.0) * scale, 0.2);
  view.exit_y_px = exactly(24.0 * scale, 0.2);
  view.exit_diameter_mm = exactly(1.6, 0.01);
  view.axis_deg = exactly(0.0, 0.1);
  view.fps = 30.0;
  view.illumination = vision::Illumination::kBacklit;
  return view;
}

bool Has(const std::vector<calib::Flag>& flags, const std::string& code, calib::Severity severity) {
  return std::any_of(flags.begin(), flags.end(),
                     [&](const calib::Flag& f) { return f.code == code && f.severity == severity; });
}

}  // namespace

TEST_CASE("a drawn onion and a drawn tulip are measured as such, without an angle", "[vision][stage]") {
  struct Case {
    const char* name;
    SprayStage stage;
    double closes, length, scale;
    bool mirrored;
  };
  for (const Case& c : {Case{"onion", SprayStage::kOnion, 150.0, 400.0, 1.0, false},
                        Case{"onion-mirrored", SprayStage::kOnion, 150.0, 400.0, 1.0, true},
                        Case{"onion-large", SprayStage::kOnion, 150.0, 400.0, 1.6, false},
                        Case{"tulip", SprayStage::kTulip, 330.0, 180.0, 1.0, false},
                        Case{"tulip-large", SprayStage::kTulip, 330.0, 180.0, 1.6, true}}) {
    INFO(c.name);
    const std::string clip = DrawnClip(
        c.name,
        [&](double z) {
          return std::hypot(8.0, z * std::max(0.0, 1.0 - z / c.closes) * std::tan(38.0 * kRadians));
        },
        c.length, c.scale, c.mirrored);
    const vision::View view = DrawnView(c.scale, c.mirrored);
    const vision::ClipReading reading = vision::ReadClip(clip, view, {});
    for (const calib::Flag& flag : reading.flags) UNSCOPED_INFO(flag.code << ": " << flag.message);
    REQUIRE_FALSE(reading.Rejected());
    const vision::SprayMeasurement m = vision::MeasureSpray(reading, view, {});
    for (const calib::Flag& flag : m.flags) UNSCOPED_INFO(flag.code << ": " << flag.message);
    REQUIRE(m.points.size() == 1);
    CHECK(m.points[0].stage == c.stage);
    CHECK_FALSE(m.points[0].half_angle);
    CHECK_FALSE(m.points[0].sheet_half_angle_deg);
    CHECK_FALSE(m.points[0].breakup_mm);
    CHECK(Has(m.flags, "not_fully_developed", calib::Severity::kWarn));
    fs::remove_all(clip);
  }
}

TEST_CASE("a clip that rises from onion through tulip is measured where the cone is open",
          "[vision][stage][rendered]") {
  const fs::path folder = conebook::tests::ScratchFolder("stage-rising");
  const std::string command =
      std::string(CONEBOOK_RENDER) + " --out '" + folder.string() +
      "' --seed 960207 --group clean --fast --set camera=phone rotation=0 prespray=1 "
      "pressures_bar=1/1.8/3.2 stage=onion/tulip/fully_developed width=400 height=300 "
      "px_per_mm=14 exit_diameter_mm=0.9 half_angle_deg=30 film=grey light=backlit axis_deg=0 "
      "hold_1_s=0.7 hold_2_s=0.7 hold_3_s=0.7 rise_s=0.02 lens_file=0 > /dev/null 2>&1";
  REQUIRE(std::system(command.c_str()) == 0);
  const nlohmann::json truth = nlohmann::json::parse(std::ifstream(folder / "truth.json"));
  const nlohmann::json& t = truth["true"];
  vision::View view = DrawnView(1.0, false);
  view.fps.reset();
  view.px_per_mm->value = t["px_per_mm"];
  view.exit_x_px->value = t["exit_px"][0];
  view.exit_y_px->value = t["exit_px"][1];
  view.exit_diameter_mm.value = t["exit_diameter_mm"];
  std::vector<vision::TimeSpan> spans;
  for (const auto& point : truth["points"]) spans.push_back({point["t0_s"], point["t1_s"]});
  const vision::ClipReading reading =
      vision::ReadClip((folder / truth["clip"].get<std::string>()).string(), view, {});
  REQUIRE_FALSE(reading.Rejected());
  const vision::SprayMeasurement m = vision::MeasureSpray(reading, view, spans);
  for (const calib::Flag& flag : m.flags) UNSCOPED_INFO(flag.code << ": " << flag.message);
  REQUIRE(m.points.size() == 3);
  for (std::size_t p = 0; p < 3; ++p) {
    CHECK(m.points[p].stage == vision::StageNamed(truth["points"][p]["stage"].get<std::string>()));
    CHECK(m.points[p].half_angle.has_value() == (p == 2));
  }
  REQUIRE(m.points[2].half_angle);
  // The line between the stations reads up to 3 deg below the asymptote, the more so the larger the exit
  // (reference, sheet kinematics); crests widen it.
  CHECK(m.points[2].half_angle->mean_deg.value ==
        Approx(truth["points"][2]["sheet_cone_deg"].get<double>()).margin(2.0));
}
