// A cone drawn line by line, whose angle is therefore known, in footage that misleads: the valve shuts while
// it is filmed, or a lamp mirrored in the sheet outshines a rim that is lost for a while.
#include <algorithm>
#include <array>
#include <cmath>
#include <filesystem>
#include <numbers>
#include <string>

#include <catch2/catch.hpp>
#include <opencv2/core.hpp>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>

#include <vision/spray_measurement.h>

#include "scratch.h"
#include "small_clip.h"

using namespace conebook;
namespace fs = std::filesystem;

namespace {

constexpr double kExitX = 160.0, kExitY = 24.0, kHalfAngleDeg = 30.0;
constexpr double kTan = 0.57735026918962576;
constexpr int kWidth = 320, kHeight = 300;

struct Drawn {
  int frames = 40;
  int on_from = 8, on_to = 40;  // frames with spray
  bool lamp = false;   // mirrored in the sheet's middle, and the left rim lost from 90 to 130 px below
  bool drops = true;   // below 120 px
  bool shine = false;  // a lamp mirrored in the upper half, thrice as bright as the right rim
  int unlit_px =
      0;  // down to here no light reaches the right rim; a lamp mirrored two thirds of the way to it does
  double exit_radius_px = 6.0;
  int sheet_px = 1000;      // below it drops only
  double rim = 110.0;       // code values
  double wall = 30.0;       // the same
  bool back_light = false;  // the negative of it
  int bars_px = 0;          // black, on both sides and below
  int cropped_px = 0;       // off the upper end
  int narrowed_px = 0;      // off both sides
  int grain = 5;            // code values, evenly spread from 0
  int tray_px = 0;          // rows at the lower end that foam from side to side while the spray is on
  double gain = 1.0;        // of the exposure, from the third frame with spray on
  int drips = 0;            // drops that fall one by one before the spray is on
  int turns = 0;            // quarters of the frame, clockwise: 1 sprays to the left
};

// In front light: bright rims on a dark wall, the sheet between them as good as invisible.
std::string Draw(const std::string& name, const Drawn& drawn) {
  const fs::path folder = conebook::tests::ScratchFolder("drawn-" + name);
  fs::create_directories(folder);
  cv::RNG random(11);
  cv::Mat noise(kHeight, kWidth, CV_8U);
  for (int k = 0; k < drawn.frames; ++k) {
    cv::Mat1f light(kHeight, kWidth, static_cast<float>(drawn.wall));
    cv::rectangle(light, cv::Rect(static_cast<int>(kExitX) - 12, 0, 24, static_cast<int>(kExitY)),
                  cv::Scalar(70.0), cv::FILLED);
    const bool on = k >= drawn.on_from && k < drawn.on_to;
    for (int y = static_cast<int>(kExitY); on && y < kHeight; ++y) {
      const double z = y - kExitY;
      const double w = std::hypot(drawn.exit_radius_px, z * kTan);
      if (z > drawn.sheet_px) break;
      for (int x = 0; x < kWidth; ++x) {
        const double from_axis = x - kExitX;
        const double in = w - std::abs(from_axis);
        if (in <= -1.0) continue;
        const double cover = std::min(1.0, in + 1.0);
        const bool lost = drawn.lamp && from_axis < 0.0 && z > 90.0 && z < 130.0;
        double bright = lost ? 0.0 : drawn.rim * std::exp(-std::max(0.0, in) / 2.5);
        if (drawn.lamp) bright += 120.0 * std::exp(-0.5 * std::pow(from_axis / std::max(1.0, 0.25 * w), 2.0));
        if (drawn.shine && z < 140.0)
          bright += 160.0 * std::exp(-0.5 * std::pow((from_axis + 0.3 * w) / std::max(2.0, 0.2 * w), 2.0));
        if (drawn.shine && from_axis > 0.0) bright *= 0.6;
        if (from_axis > 0.0 && z < drawn.unlit_px)
          bright = 130.0 * std::exp(-0.5 * std::pow((from_axis - 0.68 * w) / std::max(1.5, 0.06 * w), 2.0));
        light(y, x) += static_cast<float>(cover * bright);
      }
    }
    for (int drip = 0; drip < drawn.drips && k < drawn.on_from; ++drip) {
      // From the fifth frame on, four frames apart; they fall the faster the farther.
      const int since = k - 4 - 4 * drip;
      if (since < 1) continue;
      cv::circle(light, cv::Point(static_cast<int>(kExitX), static_cast<int>(kExitY) + 6 * since * since), 4,
                 cv::Scalar(drawn.wall + drawn.rim), cv::FILLED);
    }
    for (int drop = 0; on && drawn.drops && drop < 120; ++drop) {
      const double z = random.uniform(std::min(120.0, static_cast<double>(drawn.sheet_px)), 270.0);
      const double x = kExitX + random.uniform(-0.9, 0.9) * z * kTan;
      cv::rectangle(light, cv::Rect(static_cast<int>(x), static_cast<int>(kExitY + z), 2, 3),
                    cv::Scalar(150.0), cv::FILLED);
    }
    cv::Mat frame;
    light.convertTo(frame, CV_8U, k >= drawn.on_from + 2 ? drawn.gain : 1.0);
    random.fill(noise, cv::RNG::UNIFORM, 0, drawn.grain);
    frame += noise;
    if (drawn.tray_px > 0) {
      cv::Mat tray = frame.rowRange(kHeight - drawn.tray_px, kHeight);
      tray.setTo(cv::Scalar(90.0));
      if (on) random.fill(tray, cv::RNG::UNIFORM, 10, 200);
    }
    if (drawn.back_light) cv::bitwise_not(frame, frame);
    if (drawn.bars_px > 0) {
      frame.colRange(0, drawn.bars_px).setTo(cv::Scalar(0.0));
      frame.colRange(kWidth - drawn.bars_px, kWidth).setTo(cv::Scalar(0.0));
      frame.rowRange(kHeight - drawn.bars_px, kHeight).setTo(cv::Scalar(0.0));
    }
    if (drawn.narrowed_px > 0) frame = frame.colRange(drawn.narrowed_px, kWidth - drawn.narrowed_px).clone();
    if (drawn.cropped_px > 0) frame = frame.rowRange(drawn.cropped_px, kHeight).clone();
    for (int turn = 0; turn < drawn.turns; ++turn) cv::rotate(frame, frame, cv::ROTATE_90_CLOCKWISE);
    cv::imwrite((folder / cv::format("f%03d.png", k)).string(), frame);
  }
  return folder.string();
}

vision::View ViewOf() {
  vision::View view;
  view.px_per_mm = conebook::tests::Known(8.0, 0.01);
  view.exit_x_px = conebook::tests::Known(kExitX, 0.2);
  view.exit_y_px = conebook::tests::Known(kExitY, 0.2);
  view.exit_diameter_mm = conebook::tests::Known(1.5, 0.01);
  view.axis_deg = conebook::tests::Known(0.0, 0.1);
  view.tilt_deg = conebook::tests::Known(0.0, 0.1);
  view.near_mm = 3.0;
  view.far_mm = 28.0;
  view.fps = 30.0;
  view.illumination = vision::Illumination::kFrontlit;
  return view;
}

// Drawn silhouettes end where the film does; the boundary stands at a share of the rim, a little within or
// without. Half a degree holds it.
vision::SprayMeasurement CheckAngle(const vision::ClipReading& reading, const vision::View& view,
                                    double half_angle_deg = kHalfAngleDeg) {
  for (const calib::Flag& flag : reading.flags) UNSCOPED_INFO(flag.code << ": " << flag.message);
  REQUIRE_FALSE(reading.Rejected());
  const vision::SprayMeasurement m = vision::MeasureSpray(reading, view, {});
  for (const calib::Flag& flag : m.flags) UNSCOPED_INFO(flag.code << ": " << flag.message);
  REQUIRE(m.points.size() == 1);
  REQUIRE(m.points[0].half_angle);
  CHECK(m.points[0].half_angle->left_deg.value == Approx(half_angle_deg).margin(0.5));
  CHECK(m.points[0].half_angle->right_deg.value == Approx(half_angle_deg).margin(0.5));
  return m;
}

}  // namespace

TEST_CASE("a spray that ends while it is filmed does not begin there", "[vision][drawn]") {
  const vision::View view = ViewOf();
  const vision::ClipReading opens = vision::ReadClip(Draw("opens", {}), view, {});
  REQUIRE(opens.facts.spray_start_s);
  CHECK(*opens.facts.spray_start_s == Approx(8.0 / 30.0).margin(0.02));
  CheckAngle(opens, view);
  // The sheet near the exit is as still as the wall; the drops tell when there was spray.
  const vision::ClipReading shuts = vision::ReadClip(Draw("shuts", {60, 0, 44, false, true}), view, {});
  CHECK_FALSE(shuts.facts.spray_start_s);
  CheckAngle(shuts, view);
}

TEST_CASE("drops that fall from the nozzle before the valve opens are not the spray's beginning",
          "[vision][drawn]") {
  Drawn drawn;
  drawn.drips = 2;
  drawn.on_from = 16;
  const vision::View view = ViewOf();
  const vision::ClipReading reading = vision::ReadClip(Draw("drips", drawn), view, {});
  REQUIRE(reading.facts.spray_start_s);
  CHECK(*reading.facts.spray_start_s == Approx(16.0 / 30.0).margin(0.02));
  CheckAngle(reading, view);
}

// Nothing of the scene is stated: exit, light and spray are found.
TEST_CASE("a tray that foams below the spray is left out", "[vision][drawn]") {
  Drawn drawn;
  drawn.tray_px = 90;
  drawn.sheet_px = 100;
  vision::View view = ViewOf();
  view.exit_x_px.reset();
  view.exit_y_px.reset();
  view.illumination.reset();
  view.near_mm = 5.0;  // nearer the exit the film still opens
  view.far_mm = 11.5;
  const vision::ClipReading reading = vision::ReadClip(Draw("tray", drawn), view, {});
  CheckAngle(reading, view);
  CHECK(reading.facts.illumination == vision::Illumination::kFrontlit);
  const vision::SprayMeasurement with = vision::MeasureSpray(reading, view, {});
  CHECK(conebook::tests::Find(reading.flags, "splash_left_out"));
  // Without foam no row is lost. The sheet ends 12.5 mm below the exit: nothing may say that it goes on to
  // the tray, 23 mm below.
  drawn.tray_px = 0;
  const vision::ClipReading dry = vision::ReadClip(Draw("no-tray", drawn), view, {});
  CHECK_FALSE(conebook::tests::Find(dry.flags, "splash_left_out"));
  const vision::SprayMeasurement without = vision::MeasureSpray(dry, view, {});
  REQUIRE(without.points[0].breakup_mm);
  REQUIRE(with.points[0].breakup_mm);
  UNSCOPED_INFO(with.points[0].breakup_mm->u);
  CHECK(with.points[0].breakup_mm->value == Approx(without.points[0].breakup_mm->value).epsilon(0.05));
}

TEST_CASE("an exposure set anew when the spray comes does not hide where the light is", "[vision][drawn]") {
  Drawn drawn;
  drawn.gain = 0.5;
  vision::View view = ViewOf();
  view.exit_x_px.reset();
  view.exit_y_px.reset();
  view.illumination.reset();
  const vision::ClipReading reading = vision::ReadClip(Draw("exposure", drawn), view, {});
  CHECK(reading.facts.illumination == vision::Illumination::kFrontlit);
  CheckAngle(reading, view);
}

TEST_CASE("black bars about a back-lit picture are no liquid", "[vision][drawn]") {
  Drawn drawn;
  drawn.back_light = true;
  drawn.bars_px = 24;
  vision::View view = ViewOf();
  view.illumination.reset();
  view.far_mm = 20.0;
  for (const bool stated : {true, false}) {
    if (!stated) view.exit_x_px = view.exit_y_px = std::nullopt;
    CheckAngle(vision::ReadClip(Draw("bars", drawn), view, {}), view);
  }
}

TEST_CASE("a spray whose exit is above the picture is refused, not measured from the picture's edge",
          "[vision][drawn]") {
  Drawn drawn;
  drawn.cropped_px = 44;
  vision::View view = ViewOf();
  view.exit_x_px = view.exit_y_px = std::nullopt;
  const vision::ClipReading reading = vision::ReadClip(Draw("cropped", drawn), view, {});
  REQUIRE(conebook::tests::Find(reading.flags, "exit_not_found"));
  CHECK(reading.Rejected());
}

TEST_CASE("where light misses a rim near the exit, however far, the rest of it tells the angle",
          "[vision][drawn]") {
  vision::View view = ViewOf();
  view.far_mm = 19.0;
  // To half and to three quarters of the stations: then the lamp's mirror image is followed on most rows.
  for (const int unlit_px : {85, 115}) {
    INFO(unlit_px << " px unlit");
    Drawn drawn;
    drawn.unlit_px = unlit_px;
    const vision::SprayMeasurement m = CheckAngle(vision::ReadClip(Draw("unlit", drawn), view, {}), view);
    CHECK(conebook::tests::Find(m.flags, "rim_lost"));
  }
}

// Its sides leave the picture after a third of the rows: that the rest has no edges says nothing.
TEST_CASE("a cone that breaks up early in a picture held lengthwise is measured", "[vision][drawn]") {
  Drawn drawn;
  drawn.drops = false;
  drawn.sheet_px = 40;
  drawn.narrowed_px = 105;
  vision::View view = ViewOf();
  view.exit_x_px = conebook::tests::Known(kExitX - drawn.narrowed_px, 0.2);
  view.near_mm = 1.5;
  view.far_mm = 4.6;
  // So close to the exit a line along the hyperbola is less steep than its asymptote.
  const auto half_width_px = [&](double mm) { return std::hypot(drawn.exit_radius_px, 8.0 * mm * kTan); };
  const double chord =
      (half_width_px(*view.far_mm) - half_width_px(*view.near_mm)) / (8.0 * (*view.far_mm - *view.near_mm));
  CheckAngle(vision::ReadClip(Draw("lengthwise", drawn), view, {}), view,
             std::atan(chord) * 180.0 / std::numbers::pi);
}

TEST_CASE("an even grey wall without noise is not at full scale", "[vision][drawn]") {
  Drawn drawn;
  drawn.back_light = true;
  drawn.wall = 60.0;
  drawn.grain = 1;
  const vision::View view = [] {
    vision::View v = ViewOf();
    v.illumination = vision::Illumination::kBacklit;
    return v;
  }();
  const vision::ClipReading reading = vision::ReadClip(Draw("even", drawn), view, {});
  CheckAngle(reading, view);
  for (const calib::Flag& flag : reading.flags) CHECK(flag.code.find("overexposed") == std::string::npos);
}

TEST_CASE("a spray that goes up or aside is refused with the way to state, unless that is stated",
          "[vision][drawn]") {
  struct Case {
    int turns;
    double axis_deg;
    cv::Point2d exit_px;
    const char* words;
  };
  for (const Case& c : {Case{1, -90.0, {kHeight - 1 - kExitY, kExitX}, "goes to the left"},
                        Case{2, 180.0, {kWidth - 1 - kExitX, kHeight - 1 - kExitY}, "goes up"},
                        Case{3, 90.0, {kExitY, kWidth - 1 - kExitX}, "goes to the right"}}) {
    INFO(c.words);
    Drawn drawn;
    drawn.turns = c.turns;
    const std::string clip = Draw("other-way-" + std::to_string(c.turns), drawn);
    vision::View view = ViewOf();
    view.exit_x_px = conebook::tests::Known(c.exit_px.x, 0.2);
    view.exit_y_px = conebook::tests::Known(c.exit_px.y, 0.2);
    view.axis_deg = vision::View{}.axis_deg;
    const vision::ClipReading unstated = vision::ReadClip(clip, view, {});
    REQUIRE(unstated.Rejected());
    CHECK(std::any_of(unstated.flags.begin(), unstated.flags.end(), [&](const calib::Flag& flag) {
      return flag.severity == calib::Severity::kReject && flag.advice.find(c.words) != std::string::npos &&
             flag.advice.find(cv::format("axis_deg = %g", c.axis_deg)) != std::string::npos;
    }));
    // Stated wrongly, nothing else is proposed; stated rightly, it is measured.
    view.axis_deg = conebook::tests::Known(0.0, 0.1);
    for (const calib::Flag& flag : vision::ReadClip(clip, view, {}).flags)
      CHECK(flag.advice.find("looked for going down") == std::string::npos);
    view.axis_deg = conebook::tests::Known(c.axis_deg, 0.1);
    CheckAngle(vision::ReadClip(clip, view, {}), view);
  }
}

TEST_CASE("where a rim is lost, the lamp's mirror image is not taken for it", "[vision][drawn]") {
  const vision::View view = ViewOf();
  CheckAngle(vision::ReadClip(Draw("lamp", {40, 8, 40, true, true}), view, {}), view);
}

// Straight jets from one hole: of so many px, with these tangents.
struct Jets {
  double half_width_px = 12.0;
  std::array<double, 3> tangents{-0.24, 0.0, 0.24};
  float ground = 200.0F, jet = 30.0F;
};

bool TakenForACone(const char* name, const Jets& jets, vision::Illumination illumination) {
  const fs::path folder = conebook::tests::ScratchFolder(name);
  fs::create_directories(folder);
  cv::RNG random(12);
  cv::Mat noise(kHeight, kWidth, CV_8U);
  for (int k = 0; k < 40; ++k) {
    cv::Mat1f light(kHeight, kWidth, jets.ground);
    for (int y = static_cast<int>(kExitY); k >= 8 && y < kHeight; ++y) {
      const double z = y - kExitY;
      for (const double tangent : jets.tangents) {
        for (int x = 0; x < kWidth; ++x) {
          const double in =
              jets.half_width_px - std::abs(x - kExitX - tangent * z) + 0.2 * std::sin(0.3 * z + k);
          if (in > 0.0)
            light(y, x) = jets.ground + (jets.jet - jets.ground) * static_cast<float>(std::min(1.0, in));
        }
      }
    }
    cv::Mat frame;
    light.convertTo(frame, CV_8U);
    random.fill(noise, cv::RNG::UNIFORM, 0, 5);
    frame += noise;
    cv::imwrite((folder / cv::format("f%03d.png", k)).string(), frame);
  }
  vision::View view = ViewOf();
  view.illumination = illumination;
  const vision::ClipReading reading = vision::ReadClip(folder.string(), view, {});
  if (reading.Rejected()) return false;
  const vision::SprayMeasurement m = vision::MeasureSpray(reading, view, {});
  for (const auto* flags : {&reading.flags, &m.flags}) {
    for (const calib::Flag& flag : *flags) {
      if (flag.severity != calib::Severity::kInfo && flag.code == "not_a_cone") return false;
    }
  }
  return true;
}

// Against a bright ground, one straight down and one to either side: together up to 100 px below the exit,
// apart further down. Their outline opens as a cone's does.
TEST_CASE("thick jets that part only further down are not taken for a cone", "[vision][drawn]") {
  CHECK_FALSE(TakenForACone("drawn-jets", {}, vision::Illumination::kBacklit));
}

TEST_CASE("thin bright jets are not taken for a cone, wherever the third of them stands", "[vision][drawn]") {
  for (const double tangent : {0.0, 0.036, -0.12}) {
    INFO("third jet at " << tangent);
    CHECK_FALSE(TakenForACone("drawn-thin-jets", {1.1, {-0.24, tangent, 0.24}, 12.0F, 170.0F},
                              vision::Illumination::kFrontlit));
  }
}

TEST_CASE(
    "an exit that is not stated is found where the liquid begins, though a mirrored lamp outshines a rim",
    "[vision][drawn]") {
  vision::View view = ViewOf();
  view.exit_x_px.reset();
  view.exit_y_px.reset();
  Drawn drawn;
  drawn.shine = true;
  const vision::ClipReading reading = vision::ReadClip(Draw("shine", drawn), view, {});
  for (const calib::Flag& flag : reading.flags) UNSCOPED_INFO(flag.code << ": " << flag.message);
  REQUIRE_FALSE(reading.Rejected());
  const vision::SprayMeasurement m = vision::MeasureSpray(reading, view, {});
  CHECK(m.exit_px.x == Approx(kExitX).margin(3.0));
  CHECK(m.exit_px.y == Approx(kExitY).margin(6.0));
}

TEST_CASE("frames that grain hides the spray in do not pass for the background", "[vision][drawn]") {
  const vision::View view = ViewOf();
  Drawn grainy{60, 12, 60};
  grainy.rim = 60.0;
  grainy.grain = 45;
  CheckAngle(vision::ReadClip(Draw("grainy", grainy), view, {}), view);
}

// Breakup lengths of a few exit diameters are usual at high pressure (A. H. Lefebvre, Atomization and Sprays;
// from memory).
TEST_CASE("a cone that breaks up three exit diameters below is no dribble", "[vision][drawn]") {
  Drawn breaks;
  breaks.exit_radius_px = 14.0;
  breaks.sheet_px = 90;
  vision::View view = ViewOf();
  view.exit_diameter_mm = conebook::tests::Known(3.5, 0.01);
  view.near_mm = 3.5;
  view.far_mm = 10.0;
  for (const bool from_the_start : {false, true}) {
    if (from_the_start) breaks.on_from = 0;
    const vision::ClipReading reading =
        vision::ReadClip(Draw(from_the_start ? "breaks-on" : "breaks", breaks), view, {});
    for (const calib::Flag& flag : reading.flags) UNSCOPED_INFO(flag.code << ": " << flag.message);
    REQUIRE_FALSE(reading.Rejected());
    const vision::SprayMeasurement m = vision::MeasureSpray(reading, view, {});
    for (const calib::Flag& flag : m.flags) UNSCOPED_INFO(flag.code << ": " << flag.message);
    REQUIRE(m.points.size() == 1);
    REQUIRE(m.points[0].half_angle);
    // Between the stations the hyperbola's own slope is less than its asymptote's: 27.5 deg.
    CHECK(m.points[0].half_angle->mean_deg.value == Approx(27.5).margin(0.7));
  }
}

// What perspective does goes with 1/distance. Nothing said, it lies anywhere from none to that of the nearest
// camera, so that the rectangle's standard deviation (JCGM 100, 4.3.7) is the effect at sqrt(3) times the
// nearest distance.
TEST_CASE(
    "a distance that is not stated costs what the nearest camera would do, and none stands in the spray",
    "[vision][drawn]") {
  const std::string clip = Draw("distance", {});
  // 40 mm of field: the widest lens that has it would be 32 mm away; nobody films from there.
  const double field_mm = kWidth / 8.0;
  for (const double scale : {1.0, 0.2}) {  // the same frames, as if seen at 8 and at 1.6 px/mm
    vision::View view = ViewOf();
    view.px_per_mm = conebook::tests::Known(8.0 * scale, 0.01 * scale);
    view.exit_diameter_mm = conebook::tests::Known(1.5 / scale, 0.01);
    view.near_mm = 3.0 / scale;
    view.far_mm = 28.0 / scale;
    const auto mean_of = [&](std::optional<double> distance_mm) {
      if (distance_mm)
        view.distance_mm = conebook::tests::Known(*distance_mm, 0.001);
      else
        view.distance_mm.reset();
      const vision::SprayMeasurement m = vision::MeasureSpray(vision::ReadClip(clip, view, {}), view, {});
      REQUIRE(m.points.size() == 1);
      REQUIRE(m.points[0].half_angle);
      return m.points[0].half_angle->mean_deg;
    };
    const calib::Quantity unstated = mean_of(std::nullopt);
    const auto line =
        std::find_if(unstated.budget.begin(), unstated.budget.end(),
                     [](const calib::Contribution& c) { return c.source == "camera distance not stated"; });
    REQUIRE(line != unstated.budget.end());
    const double nearest_mm = std::max(100.0, 0.8 * field_mm / scale);
    const double effect_deg = std::abs(mean_of(std::sqrt(3.0) * nearest_mm).value - unstated.value);
    CHECK(line->u > 0.01);
    // The rows between the stations change a little with the distance.
    CHECK(line->u == Approx(effect_deg).epsilon(0.1));
  }
}
