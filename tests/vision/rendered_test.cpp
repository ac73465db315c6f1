// Rendered sprays with known truth, on seeds that no tuning has seen, and laws that hold whatever the spray:
// mirror, scale, turn and dim the footage, and the answer follows. The renderer shares no code with the
// measurement.
#include <algorithm>
#include <cmath>
#include <cstdlib>
#include <filesystem>
#include <fstream>

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>
#include <opencv2/core.hpp>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>

#include <vision/spray_measurement.h>

#include "scratch.h"

using namespace conebook;
using nlohmann::json;
namespace fs = std::filesystem;

namespace {

struct Spray {
  fs::path folder;
  json truth;
  std::string Clip() const { return (folder / truth["clip"].get<std::string>()).string(); }
};

Spray Render(const std::string& name, const std::string& options) {
  Spray spray;
  spray.folder = conebook::tests::ScratchFolder(name);
  const std::string command = std::string(CONEBOOK_RENDER) + " --out '" + spray.folder.string() + "' " +
                              options + " > /dev/null 2>&1";
  REQUIRE(std::system(command.c_str()) == 0);
  spray.truth = json::parse(std::ifstream(spray.folder / "truth.json"));
  return spray;
}

calib::Stated Exactly(double value, double u) {
  return {value, u, false, false};
}

// The true camera: what is tested here is the picture, not the rig's errors.
vision::View TrueView(const Spray& spray) {
  const json& t = spray.truth["true"];
  vision::View view;
  view.px_per_mm = Exactly(t["px_per_mm"], 1e-3);
  view.distance_mm = Exactly(t["distance_mm"], 1e-2);
  view.focal_px = Exactly(t["focal_px"], 1e-1);
  view.tilt_deg = Exactly(t["tilt_deg"], 1e-3);
  view.axis_deg = Exactly(t["axis_deg"], 1e-3);
  view.exit_x_px = Exactly(t["exit_px"][0], 0.1);
  view.exit_y_px = Exactly(t["exit_px"][1], 0.1);
  view.exit_diameter_mm = Exactly(t["exit_diameter_mm"], 1e-3);
  if (t.contains("fps")) view.fps = t["fps"].get<double>();
  view.near_mm = 2.0;
  view.far_mm = 0.7 * spray.truth["points"][0]["breakup_mm"].get<double>();
  return view;
}

vision::TimeSpan Span(const Spray& spray) {
  const json& p = spray.truth["points"][0];
  return {p["t0_s"], p["t1_s"]};
}

vision::SprayPoint Measure(const std::string& clip, const vision::View& view, const vision::TimeSpan& span) {
  const vision::ClipReading reading = vision::ReadClip(clip, view, {});
  for (const calib::Flag& flag : reading.flags) INFO(flag.code << ": " << flag.message);
  REQUIRE_FALSE(reading.Rejected());
  vision::SprayMeasurement m = vision::MeasureSpray(reading, view, {span});
  REQUIRE(m.points.size() == 1);
  REQUIRE(m.points[0].half_angle);
  return std::move(m.points[0]);
}

// The boundary's definition on noise-free frames of the same instants, line refitted between our stations.
double TrueSide(const Spray& spray, const std::string& side, const vision::View& view,
                const char* of = "boundary") {
  const json& b = spray.truth["points"][0][of];
  double n = 0;
  double sx = 0;
  double sy = 0;
  double sxx = 0;
  double sxy = 0;
  for (std::size_t i = 0; i < b[side + "_z_mm"].size(); ++i) {
    if (b[side + "_mm"][i].is_null()) continue;
    const double z = b[side + "_z_mm"][i];
    const double x = b[side + "_mm"][i];
    if (z < *view.near_mm || z > *view.far_mm) continue;
    n += 1;
    sx += z;
    sy += x;
    sxx += z * z;
    sxy += z * x;
  }
  return std::atan((n * sxy - sx * sy) / (n * sxx - sx * sx)) * 180.0 / CV_PI;
}

// What the view becomes where the picture is enlarged by 1.5. Pixel centres: 0 to 639 become 0.25 to 958.75.
vision::View Enlarged(vision::View view) {
  view.exit_x_px->value = 1.5 * view.exit_x_px->value + 0.25;
  view.exit_y_px->value = 1.5 * view.exit_y_px->value + 0.25;
  view.px_per_mm->value *= 1.5;
  if (view.focal_px) view.focal_px->value *= 1.5;
  return view;
}

template <typename Change>
std::string ChangedFolder(const Spray& spray, const std::string& name, Change change) {
  const fs::path folder = conebook::tests::ScratchFolder(name);
  fs::create_directories(folder);
  for (const auto& entry : fs::directory_iterator(spray.Clip())) {
    const cv::Mat image = cv::imread(entry.path().string(), cv::IMREAD_UNCHANGED);
    REQUIRE_FALSE(image.empty());
    cv::imwrite((folder / (entry.path().stem().string() + ".png")).string(), change(image));
  }
  return folder.string();
}

}  // namespace

TEST_CASE("a rendered cone of raw frames is read within a tenth of a degree, its breakup within a tenth",
          "[vision][rendered]") {
  for (const char* film : {"grey", "clear"}) {
    const Spray spray = Render(
        std::string("raw-") + film,
        std::string(
            "--seed 900101 --group clean --truth-frames 60 --set camera=highspeed --set codec=frames16 "
            "--set container=png --set light=backlit --set prespray=1 --set width=640 --set "
            "height=480 --set axis_deg=1 --set half_angle_deg=35 --set breakup_in_view=1 --set film=") +
            film);
    const vision::View view = TrueView(spray);
    const vision::SprayPoint point = Measure(spray.Clip(), view, Span(spray));
    INFO(film);
    CHECK(point.half_angle->left_deg.value == Approx(TrueSide(spray, "left", view)).margin(0.15));
    CHECK(point.half_angle->right_deg.value == Approx(TrueSide(spray, "right", view)).margin(0.15));
    CHECK(point.half_angle->mean_deg.value ==
          Approx(0.5 * (TrueSide(spray, "left", view) + TrueSide(spray, "right", view))).margin(0.1));
    REQUIRE(point.breakup_mm);
    CHECK(point.breakup_mm->value ==
          Approx(spray.truth["points"][0]["breakup_mm"].get<double>()).epsilon(0.1));
  }
}

TEST_CASE(
    "a wide clear sheet that stands still from the first frame, and leaves the picture with its drops, is "
    "measured",
    "[vision][rendered]") {
  // Rows of drops that fill the picture from side to side say nothing of the cone's sides.
  const Spray spray = Render(
      "wide",
      "--seed 229585862397305 --group highspeed --truth-frames 40 --set film=clear --set codec=frames8 "
      "--set frames=30 --set light=backlit --set prespray=0");
  const vision::View view = TrueView(spray);
  const vision::SprayPoint point = Measure(spray.Clip(), view, Span(spray));
  CHECK(point.half_angle->mean_deg.value ==
        Approx(0.5 * (TrueSide(spray, "left", view) + TrueSide(spray, "right", view))).margin(0.2));
}

TEST_CASE("mirror, scale, turn or dim the footage, and the answer follows", "[vision][rendered]") {
  // Once for all sections, which start anew each.
  static const Spray spray = Render(
      "laws",
      "--seed 900202 --group clean --fast --set camera=highspeed --set codec=frames16 --set container=png "
      "--set light=backlit --set film=grey --set prespray=1 --set width=640 --set height=480 "
      "--set axis_deg=0 --set half_angle_deg=32 --set breakup_in_view=1 --set tilt_deg=0");
  vision::View view = TrueView(spray);
  view.distance_mm.reset();
  view.focal_px.reset();
  view.axis_deg = Exactly(0.0, 1e-3);
  const vision::TimeSpan span = Span(spray);
  static const vision::SprayPoint as_filmed = Measure(spray.Clip(), view, span);

  const auto check_same_angles = [&](const vision::SprayPoint& point, double margin_deg) {
    for (const auto angle : {&vision::HalfAngle::left_deg, &vision::HalfAngle::right_deg,
                             &vision::HalfAngle::mean_deg, &vision::HalfAngle::lean_deg})
      CHECK(((*point.half_angle).*angle).value ==
            Approx(((*as_filmed.half_angle).*angle).value).margin(margin_deg));
  };

  SECTION("mirrored: left and right swap, lean changes sign") {
    const std::string clip = ChangedFolder(spray, "mirrored", [](const cv::Mat& m) {
      cv::Mat out;
      cv::flip(m, out, 1);
      return out;
    });
    vision::View mirrored = view;
    mirrored.exit_x_px->value = 639.0 - view.exit_x_px->value;
    const vision::SprayPoint point = Measure(clip, mirrored, span);
    CHECK(point.half_angle->left_deg.value ==
          Approx(as_filmed.half_angle->right_deg.value).epsilon(0).margin(1e-9));
    CHECK(point.half_angle->right_deg.value ==
          Approx(as_filmed.half_angle->left_deg.value).epsilon(0).margin(1e-9));
    CHECK(point.half_angle->lean_deg.value ==
          Approx(-as_filmed.half_angle->lean_deg.value).epsilon(0).margin(1e-9));
    REQUIRE(point.breakup_mm);
    CHECK(point.breakup_mm->value == Approx(as_filmed.breakup_mm->value).epsilon(0).margin(1e-9));
    REQUIRE(point.sheet_half_angle_deg);
    CHECK(point.sheet_half_angle_deg->value ==
          Approx(as_filmed.sheet_half_angle_deg->value).epsilon(0).margin(1e-9));
    REQUIRE(point.cone_half_angle_deg);
    CHECK(point.cone_half_angle_deg->value ==
          Approx(as_filmed.cone_half_angle_deg->value).epsilon(0).margin(1e-9));
  }
  SECTION("enlarged by 1.5: angles stay, lengths in mm stay with the scale stated anew") {
    const std::string clip = ChangedFolder(spray, "enlarged", [](const cv::Mat& m) {
      cv::Mat out;
      cv::resize(m, out, cv::Size(960, 720), 0, 0, cv::INTER_CUBIC);
      return out;
    });
    const vision::SprayPoint point = Measure(clip, Enlarged(view), span);
    // Of a rim that is a pixel or two thick, what pixels and filter round off it is taken out.
    check_same_angles(point, 0.05);
    REQUIRE(point.breakup_mm);
    REQUIRE(as_filmed.breakup_mm);
    CHECK(point.breakup_mm->value == Approx(as_filmed.breakup_mm->value).epsilon(0.04));
  }
  SECTION("turned by 3 degrees about the exit: lean follows, the half angle stays") {
    const cv::Point2f exit(static_cast<float>(view.exit_x_px->value),
                           static_cast<float>(view.exit_y_px->value));
    const cv::Mat turn =
        cv::getRotationMatrix2D(exit, 3.0, 1.0);  // counter-clockwise: the spray swings to the right
    const std::string clip = ChangedFolder(spray, "turned", [&](const cv::Mat& m) {
      cv::Mat out;
      cv::warpAffine(m, out, turn, m.size(), cv::INTER_CUBIC, cv::BORDER_REPLICATE);
      return out;
    });
    const vision::SprayPoint point = Measure(clip, view, span);
    CHECK(point.half_angle->mean_deg.value == Approx(as_filmed.half_angle->mean_deg.value).margin(0.05));
    CHECK(point.half_angle->lean_deg.value ==
          Approx(as_filmed.half_angle->lean_deg.value + 3.0).margin(0.05));
  }
  SECTION("turned by a quarter and said so: nothing changes") {
    const std::string clip = ChangedFolder(spray, "quarter", [](const cv::Mat& m) {
      cv::Mat out;
      cv::rotate(m, out, cv::ROTATE_90_COUNTERCLOCKWISE);
      return out;
    });
    vision::View sideways = view;
    sideways.axis_deg = Exactly(90.0, 1e-3);
    sideways.exit_x_px->value = view.exit_y_px->value;
    sideways.exit_y_px->value = 639.0 - view.exit_x_px->value;
    const vision::SprayPoint point = Measure(clip, sideways, span);
    CHECK(point.half_angle->left_deg.value == Approx(as_filmed.half_angle->left_deg.value).margin(1e-6));
    CHECK(point.half_angle->right_deg.value == Approx(as_filmed.half_angle->right_deg.value).margin(1e-6));
  }
  SECTION("dimmed to 0.7: angles stay") {
    const std::string clip = ChangedFolder(spray, "dimmed", [](const cv::Mat& m) {
      cv::Mat out;
      m.convertTo(out, m.type(), 0.7);
      return out;
    });
    check_same_angles(Measure(clip, view, span), 0.02);
  }
  SECTION("with half the contrast above a grey level: angles stay") {
    const std::string clip = ChangedFolder(spray, "flat", [](const cv::Mat& m) {
      cv::Mat out;
      m.convertTo(out, m.type(), 0.5, 0.2 * (m.depth() == CV_16U ? 65535.0 : 255.0));
      return out;
    });
    check_same_angles(Measure(clip, view, span), 0.05);
  }
}

TEST_CASE("a clear sheet filmed at 30 px/mm, enlarged by 1.5, has its angles", "[vision][rendered]") {
  const Spray spray = Render(
      "enlarged-clear",
      "--seed 900203 --group clean --fast --set camera=highspeed --set codec=frames16 --set container=png "
      "--set light=backlit --set film=clear --set prespray=1 --set width=640 --set height=480 "
      "--set axis_deg=0 --set half_angle_deg=32 --set breakup_in_view=1 --set tilt_deg=0");
  const vision::View view = TrueView(spray);
  const vision::SprayPoint as_filmed = Measure(spray.Clip(), view, Span(spray));
  const std::string clip = ChangedFolder(spray, "enlarged-clear-1.5", [](const cv::Mat& m) {
    cv::Mat out;
    cv::resize(m, out, cv::Size(960, 720), 0, 0, cv::INTER_CUBIC);
    return out;
  });
  const vision::SprayPoint point = Measure(clip, Enlarged(view), Span(spray));
  for (const auto angle : {&vision::HalfAngle::left_deg, &vision::HalfAngle::right_deg,
                           &vision::HalfAngle::mean_deg, &vision::HalfAngle::lean_deg})
    CHECK(((*point.half_angle).*angle).value == Approx(((*as_filmed.half_angle).*angle).value).margin(0.05));
  REQUIRE((point.cone_half_angle_deg && as_filmed.cone_half_angle_deg));
  CHECK(point.cone_half_angle_deg->value == Approx(as_filmed.cone_half_angle_deg->value).margin(0.05));
}

TEST_CASE("the number of threads changes nothing", "[vision][rendered]") {
  const Spray spray =
      Render("threads",
             "--seed 900303 --group phone --fast --set width=640 --set height=480 --set light=frontlit "
             "--set film=clear --set prespray=1 --set rotation=0");
  const vision::View view = TrueView(spray);
  std::optional<vision::SprayPoint> before;
  for (const int threads : {1, 2, 5}) {
    vision::ReadOptions options;
    options.threads = threads;
    const vision::ClipReading reading = vision::ReadClip(spray.Clip(), view, options);
    REQUIRE_FALSE(reading.Rejected());
    vision::SprayMeasurement m = vision::MeasureSpray(reading, view, {Span(spray)});
    REQUIRE(m.points[0].half_angle);
    if (before) {
      CHECK(m.points[0].half_angle->mean_deg.value == before->half_angle->mean_deg.value);
      CHECK(m.points[0].half_angle->lean_deg.u == before->half_angle->lean_deg.u);
    }
    before = std::move(m.points[0]);
  }
}

TEST_CASE("what is no cone is refused with its reason", "[vision][rendered]") {
  struct Case {
    const char* kind;
    std::vector<std::string> codes;
  };
  for (const Case& c :
       {Case{"no_spray", {"no_spray", "no_cone"}}, Case{"solid_jet", {"not_a_cone", "no_cone"}},
        Case{"overexposed", {"overexposed", "no_spray", "no_cone"}}, Case{"defocused", {"defocused"}}}) {
    const Spray spray =
        Render(std::string("negative-") + c.kind,
               std::string("--seed 900404 --fast --set width=640 --set height=480 --negative ") + c.kind);
    vision::View view =
        TrueView({spray.folder, [&] {
                    json t = spray.truth;
                    t["points"] = json::array({{{"breakup_mm", 10.0}, {"t0_s", 0.0}, {"t1_s", 1.0}}});
                    return t;
                  }()});
    view.near_mm.reset();
    view.far_mm.reset();
    const vision::ClipReading reading = vision::ReadClip(spray.Clip(), view, {});
    INFO(c.kind);
    REQUIRE(reading.Rejected());
    const bool named = std::any_of(reading.flags.begin(), reading.flags.end(), [&](const calib::Flag& flag) {
      return flag.severity == calib::Severity::kReject &&
             std::find(c.codes.begin(), c.codes.end(), flag.code) != c.codes.end();
    });
    CHECK(named);
  }
}

// Waves that grow to half a millimetre before the sheet breaks: their crests stand out of the mean surface.
TEST_CASE("the sheet half angle is that of the mean surface, not of the crests", "[vision][rendered]") {
  const Spray spray = Render(
      "wavy",
      "--seed 900107 --group clean --truth-frames 60 --set camera=highspeed --set codec=frames16 --set "
      "container=png --set light=backlit --set prespray=1 --set film=clear --set width=640 --set height=480 "
      "--set axis_deg=0 --set tilt_deg=0 --set half_angle_deg=35 --set breakup_in_view=1 --set wave_mm=0.5 "
      "--set px_per_mm=14 --set breakup_mm=20 --set pulsation_deg=0");
  const vision::View view = TrueView(spray);
  const vision::SprayPoint point = Measure(spray.Clip(), view, Span(spray));
  REQUIRE(point.sheet_half_angle_deg);
  const double surface_deg =
      0.5 * (TrueSide(spray, "left", view, "mean_sheet") + TrueSide(spray, "right", view, "mean_sheet"));
  INFO("surface " << surface_deg << ", visible boundary " << point.half_angle->mean_deg.value);
  CHECK(point.half_angle->mean_deg.value - surface_deg > 0.3);
  CHECK(point.sheet_half_angle_deg->u < 0.2);
  CHECK(std::abs(point.sheet_half_angle_deg->value - surface_deg) < 2.0 * point.sheet_half_angle_deg->u);
}

TEST_CASE("of a sheet that leaves the picture whole a lower bound of its length is told, and it is one",
          "[vision][rendered]") {
  const Spray spray =
      Render("whole",
             "--seed 900108 --group clean --fast --set light=backlit --set film=clear --set prespray=1 --set "
             "half_angle_deg=30 --set breakup_in_view=0 --set width=640 --set height=480 --set axis_deg=0");
  vision::View view = TrueView(spray);
  const vision::ClipReading reading = vision::ReadClip(spray.Clip(), view, {});
  REQUIRE_FALSE(reading.Rejected());
  const double in_view_mm = (479.0 - view.exit_y_px->value) / view.px_per_mm->value;
  view.far_mm = 0.5 * in_view_mm;
  const vision::SprayMeasurement m = vision::MeasureSpray(reading, view, {Span(spray)});
  CHECK_FALSE(m.points[0].breakup_mm);
  REQUIRE(m.points[0].breakup_lower_bound_mm);
  CHECK(*m.points[0].breakup_lower_bound_mm <= spray.truth["points"][0]["breakup_mm"].get<double>());
  CHECK(*m.points[0].breakup_lower_bound_mm > *view.far_mm);
  CHECK(std::any_of(m.flags.begin(), m.flags.end(),
                    [](const calib::Flag& flag) { return flag.code == "breakup_beyond_view"; }));
}

// In front light, with the drops out of view: the film left and right of the line tells it from a jet.
// Close up, the far wall's end is seen nearer the exit than the near wall's: a breakup length read as if the
// camera were far off may be short, and its u has to say so.
TEST_CASE("a grey film's rim, twice as strong by the exit as below, does not bend the cone inwards",
          "[vision][rendered]") {
  for (const char* seed : {"900104", "900105"}) {
    const Spray spray = Render(
        std::string("fading-rim-") + seed,
        std::string("--seed ") + seed +
            " --group clean --fast --set camera=highspeed --set codec=frames16 --set container=png "
            "--set light=backlit --set prespray=1 --set film=grey --set width=480 --set height=360 "
            "--set frames=80 --set fps=1000 --set exposure_s=5e-6 --set axis_deg=1 --set tilt_deg=0 --set "
            "half_angle_deg=40 --set breakup_in_view=1 --set exit_diameter_mm=1 --set wave_mm=0.02 --set "
            "wall_depth=0.5 --set px_per_mm=6");
    const vision::SprayPoint point = Measure(spray.Clip(), TrueView(spray), Span(spray));
    INFO(seed);
    REQUIRE(point.cone_half_angle_deg);
    CHECK(point.cone_half_angle_deg->value ==
          Approx(spray.truth["points"][0]["sheet_cone_deg"].get<double>()).margin(0.07));
  }
}

TEST_CASE("a breakup length's interval holds where a near camera's distance is not stated",
          "[vision][rendered]") {
  const Spray spray = Render("close", "--seed 116894566925264 --group phone --fast --set film=grey");
  vision::View view = TrueView(spray);
  view.distance_mm.reset();
  view.focal_px.reset();
  view.lens.reset();
  const vision::SprayPoint point = Measure(spray.Clip(), view, Span(spray));
  REQUIRE(point.breakup_mm);
  const double truth = spray.truth["points"][0]["breakup_mm"].get<double>();
  double of_distance = 0.0;
  for (const calib::Contribution& part : point.breakup_mm->budget)
    if (part.source == "camera distance not stated") of_distance = part.u;
  const double without = std::sqrt(std::pow(point.breakup_mm->u, 2) - std::pow(of_distance, 2));
  const double off = std::abs(point.breakup_mm->value - truth);
  CHECK(off > 2.0 * without);
  CHECK(off < 2.0 * point.breakup_mm->u);
}

TEST_CASE("a nozzle body shaded from side to side, beside a sharp spray, is no sign of soft focus",
          "[vision][rendered]") {
  const Spray spray = Render("shaded_body", "--seed 105616687551561 --group phone --fast --set film=grey");
  const vision::ClipReading reading = vision::ReadClip(spray.Clip(), TrueView(spray), {});
  REQUIRE_FALSE(reading.Rejected());
  for (const calib::Flag& flag : reading.flags) CHECK(flag.code != "soft_focus");
}

TEST_CASE("a lamp mirrored in a clear sheet is not taken for a jet", "[vision][rendered]") {
  const Spray spray = Render(
      "mirrored-lamp",
      "--seed 5211 --group highspeed --set light=frontlit --set film=clear --set breakup_in_view=0 --fast");
  vision::View view = TrueView(spray);
  const vision::ClipReading reading = vision::ReadClip(spray.Clip(), view, {});
  REQUIRE_FALSE(reading.Rejected());
  const vision::SprayMeasurement m = vision::MeasureSpray(reading, view, {Span(spray)});
  REQUIRE(m.points[0].half_angle);
  for (const auto* flags : {&reading.flags, &m.flags}) {
    for (const calib::Flag& flag : *flags) CHECK(flag.code != "not_a_cone");
  }
}

// A phone in a hand, grain, haze, and a rig that does not say where the exit is: the shaking body changes
// more than the faint cone does.
TEST_CASE("the exit of a faint cone is found under shake and grain", "[vision][rendered]") {
  const Spray spray =
      Render("shaken", "--seed 33746109482019 --group phone --set film=grey --truth-frames 20");
  vision::View view = TrueView(spray);
  view.exit_x_px.reset();
  view.exit_y_px.reset();
  const vision::ClipReading reading = vision::ReadClip(spray.Clip(), view, {});
  for (const calib::Flag& flag : reading.flags) INFO(flag.code << ": " << flag.message);
  REQUIRE_FALSE(reading.Rejected());
  const vision::SprayMeasurement m = vision::MeasureSpray(reading, view, {Span(spray)});
  CHECK(m.exit_px.x == Approx(spray.truth["true"]["exit_px"][0].get<double>()).margin(3.0));
  CHECK(m.exit_px.y == Approx(spray.truth["true"]["exit_px"][1].get<double>()).margin(6.0));
  REQUIRE(m.points[0].half_angle);
  CHECK(m.points[0].half_angle->mean_deg.value ==
        Approx(0.5 * (TrueSide(spray, "left", view) + TrueSide(spray, "right", view))).margin(0.3));
}

// On from the first frame, a rim lost for a stretch: what changes begins 13 mm below the exit.
TEST_CASE("an exit found far down a standing sheet goes up to where the sides come from",
          "[vision][rendered]") {
  const Spray spray =
      Render("standing-clear", "--seed 4168582894555 --group highspeed --fast --set film=clear");
  vision::View view = TrueView(spray);
  view.exit_x_px.reset();
  view.exit_y_px.reset();
  const vision::ClipReading reading = vision::ReadClip(spray.Clip(), view, {});
  REQUIRE_FALSE(reading.Rejected());
  const vision::SprayMeasurement m = vision::MeasureSpray(reading, view, {Span(spray)});
  CHECK(m.exit_px.y == Approx(spray.truth["true"]["exit_px"][1].get<double>()).margin(6.0));
  REQUIRE(m.points[0].breakup_mm);
  CHECK(m.points[0].breakup_mm->value ==
        Approx(spray.truth["points"][0]["breakup_mm"].get<double>()).epsilon(0.06));
}

// Drops too fine for the exposure vanish below the sheet; farther down nothing is left but grain and drops on
// the window.
TEST_CASE("what flickers far below the last that is seen of a spray is not the end of its sheet",
          "[vision][rendered]") {
  const Spray spray =
      Render("fine-mist", "--seed 25969165695117 --group phone --fast --set film=clear --set closes=1");
  const vision::View view = TrueView(spray);
  const vision::ClipReading reading = vision::ReadClip(spray.Clip(), view, {});
  REQUIRE_FALSE(reading.Rejected());
  const json& truth = spray.truth["points"];
  std::vector<vision::TimeSpan> spans;
  for (const json& p : truth) spans.push_back({p["t0_s"], p["t1_s"]});
  const vision::SprayMeasurement m = vision::MeasureSpray(reading, view, spans);
  for (std::size_t p = 0; p < spans.size(); ++p) {
    INFO("point " << p);
    if (m.points[p].breakup_mm)  // or a reason
      CHECK(m.points[p].breakup_mm->value == Approx(truth[p]["breakup_mm"].get<double>()).epsilon(0.15));
  }
  REQUIRE(m.points[0].breakup_mm);
}

// The spray is on from the first frame and its sheet hardly moves: there is no picture without it, and the
// median over time holds the sheet itself.
void CheckStandingSheet(const std::string& name, const std::string& options, bool exit_stated) {
  const Spray spray = Render(name, options + " --group highspeed --truth-frames 20 --set frames=24");
  vision::View view = TrueView(spray);
  view.near_mm = spray.truth["stations"]["near_mm"].get<double>();
  view.far_mm = spray.truth["stations"]["far_mm"].get<double>();
  if (!exit_stated) {
    view.exit_x_px.reset();
    view.exit_y_px.reset();
  }
  const vision::ClipReading reading = vision::ReadClip(spray.Clip(), view, {});
  for (const calib::Flag& flag : reading.flags) INFO(flag.code << ": " << flag.message);
  REQUIRE_FALSE(reading.Rejected());
  const vision::SprayMeasurement m = vision::MeasureSpray(reading, view, {Span(spray)});
  REQUIRE(m.points[0].half_angle);
  const double truth = 0.5 * (TrueSide(spray, "left", view) + TrueSide(spray, "right", view));
  CHECK(m.points[0].half_angle->mean_deg.value == Approx(truth).margin(0.2));
}

TEST_CASE("a sheet that stands still from the first frame on shows where it leaves the exit",
          "[vision][rendered]") {
  CheckStandingSheet("stands_exit_unstated", "--seed 187717410283203 --set film=clear", false);
}

TEST_CASE("drops that fly wide of the sheet do not hide where its sides come from", "[vision][rendered]") {
  CheckStandingSheet("wide_drops", "--seed 274379516778792 --set film=grey", false);
}

TEST_CASE("a sheet that stands still and fills the picture is told from the light beside it",
          "[vision][rendered]") {
  CheckStandingSheet("stands", "--seed 102878914735371 --set film=grey", true);
}

TEST_CASE("a film that stands still from the first frame on is seen against the light beside its own rims",
          "[vision][rendered]") {
  CheckStandingSheet("still_film", "--seed 116455155194902 --set film=grey", true);
}

TEST_CASE("what moves beside the spray for a few moments is not taken for its side", "[vision][rendered]") {
  const Spray spray =
      Render("beside", "--seed 177361512390803 --group phone --set film=grey --truth-frames 20");
  vision::View view = TrueView(spray);
  view.exit_x_px = Exactly(spray.truth["rig"]["exit_px"][0], 0.5);
  view.exit_y_px = Exactly(spray.truth["rig"]["exit_px"][1], 0.5);
  view.illumination = vision::Illumination::kFrontlit;
  const vision::SprayPoint point = Measure(spray.Clip(), view, Span(spray));
  CHECK(point.half_angle->left_deg.value == Approx(TrueSide(spray, "left", view)).margin(0.4));
  CHECK(point.half_angle->right_deg.value == Approx(TrueSide(spray, "right", view)).margin(0.4));
}
