// `conebook calibrate scale` on drawn pictures of known scale, and what the scale file does to a measurement.
#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include "drawn_target.h"
#include "program.h"

using namespace conebook::tests;
using Catch::Matchers::Contains;
using nlohmann::json;

namespace {

json Calibrated(const Folder& folder, const cv::Mat& picture, const std::string& options) {
  cv::imwrite((folder / "seen.png").string(), picture);
  const Outcome outcome = folder.Run("calibrate scale seen.png " + options + " --json --out scale.toml");
  INFO(options << "\n" << outcome.out << outcome.err);
  REQUIRE(outcome.exit == 0);
  return json::parse(outcome.out);
}

double Value(const json& quantity) {
  return quantity["value"];
}
double U(const json& quantity) {
  return quantity["u"];
}

double BudgetLine(const json& quantity, const std::string& beginning) {
  for (const json& part : quantity["budget"]) {
    if (part["source"].get<std::string>().rfind(beginning, 0) == 0) return part["u"];
  }
  return -1.0;
}

}  // namespace

TEST_CASE("a board in the nozzle's plane gives scale, tilt and axis", "[process][scale]") {
  const Folder folder("scale_board");
  struct Case {
    double tilt_deg, axis_deg, k1;
  };
  // Focal length 3600 px at 450 mm: 8 px/mm at the exit, which shows at [500, 90] px.
  for (const Case& c :
       {Case{0.0, 0.0, 0.0}, Case{6.0, 2.0, 0.0}, Case{-8.0, -3.0, 0.0}, Case{5.0, 1.0, -1.2}}) {
    DrawnCamera camera;
    camera.k1 = c.k1;
    folder.Write("lens.toml", LensText(camera));
    const V3 exit = PlaceOf(camera, 500.0, 90.0, 450.0);
    const V3 across = LateralOf(c.axis_deg), down = AxisOf(c.axis_deg, c.tilt_deg);
    const cv::Mat picture =
        Draw(camera, {BoardCard(exit + down * 34.0 - across * 3.0, across, down, 9, 6, 7.0)});
    // Where the exit shows through the lens.
    const double u = (500.0 - camera.cx) / 3600.0, v = (90.0 - camera.cy) / 3600.0;
    const double bend = 1.0 + c.k1 * (u * u + v * v);
    const std::string at =
        std::to_string(camera.cx + 3600.0 * u * bend) + "," + std::to_string(camera.cy + 3600.0 * v * bend);
    const json scale =
        Calibrated(folder, picture, "--columns 9 --rows 6 --square-mm 7 --lens lens.toml --at " + at);
    INFO(scale.dump(1));
    CHECK(Value(scale["px_per_mm"]) == Approx(8.0).epsilon(0.002));  // the bar
    CHECK(std::abs(Value(scale["px_per_mm"]) - 8.0) < 2.0 * U(scale["px_per_mm"]));
    // 0.3 deg: two of the u that the corners alone leave; the stated u also holds the board's alignment.
    CHECK(Value(scale["tilt_deg"]) == Approx(c.tilt_deg).margin(0.3));
    CHECK(Value(scale["axis_deg"]) == Approx(c.axis_deg).margin(0.05));
    CHECK(BudgetLine(scale["tilt_deg"], "corners") < 0.2);
    CHECK(BudgetLine(scale["tilt_deg"], "board against the nozzle's axis (assumed 0.5 deg)") == 0.5);
  }
}

TEST_CASE("without a lens the board still gives the scale, and says that tilt needs more",
          "[process][scale]") {
  const Folder folder("scale_board_bare");
  const DrawnCamera camera;
  const V3 exit = PlaceOf(camera, 480.0, 100.0, 450.0);
  const V3 across = LateralOf(1.5), down = AxisOf(1.5, 4.0);
  const cv::Mat picture = Draw(camera, {BoardCard(exit + down * 32.0, across, down, 9, 6, 7.0)});
  const std::string board = "--columns 9 --rows 6 --square-mm 7 --at 480,100";
  const json bare = Calibrated(folder, picture, board);
  CHECK(bare["tilt_deg"].is_null());
  CHECK_THAT(bare["no_tilt"].get<std::string>(), Contains("--lens"));
  CHECK(std::abs(Value(bare["px_per_mm"]) - 8.0) < 2.0 * U(bare["px_per_mm"]));
  CHECK(Value(bare["axis_deg"]) == Approx(1.5).margin(0.1));
  for (const char* known : {" --focal-px 3600", " --distance-mm 450 --u-distance-mm 5"}) {
    const json told = Calibrated(folder, picture, board + known);
    CHECK(Value(told["px_per_mm"]) == Approx(8.0).epsilon(0.002));
    CHECK(Value(told["tilt_deg"]) == Approx(4.0).margin(0.3));
    CHECK(U(told["px_per_mm"]) < U(bare["px_per_mm"]) + 1e-12);
    CHECK(BudgetLine(told["tilt_deg"], "lens not calibrated") > 0.0);
  }
  // 3 mm nearer to the camera than the axis: the exit is farther, and shows smaller.
  const json nearer = Calibrated(folder, picture, board + " --focal-px 3600 --offset-mm 3");
  CHECK(Value(nearer["px_per_mm"]) == Approx(8.0 * 450.0 / 453.0).epsilon(0.002));
}

TEST_CASE("the nozzle's body of known width gives the scale", "[process][scale]") {
  const Folder folder("scale_body");
  for (const double axis_deg : {0.0, 3.0, -8.0}) {
    DrawnCamera camera;
    camera.seed = 4;
    // A close camera: the outline of a round body is 0.06 % wider than its diameter at this distance.
    const V3 exit = PlaceOf(camera, 470.0, 200.0, 240.0);
    const double true_scale = 3600.0 / 240.0;
    const cv::Mat picture = Draw(camera, {Body(exit, AxisOf(axis_deg, 0.0), 16.0)});
    const json scale = Calibrated(folder, picture, "--body-mm 16 --at 470,110 --focal-px 3600");
    INFO(scale.dump(1));
    CHECK(Value(scale["px_per_mm"]) == Approx(true_scale).epsilon(0.0005));
    CHECK(std::abs(Value(scale["px_per_mm"]) - true_scale) < 2.0 * U(scale["px_per_mm"]));
    CHECK(Value(scale["axis_deg"]) == Approx(axis_deg).margin(0.1));
    CHECK(scale["tilt_deg"].is_null());
    // Brighter than its surroundings. Inverted codes are no inverted light: the edge moves by a part of its
    // own width, of which the threshold's share in u tells.
    cv::Mat inverse;
    cv::bitwise_not(picture, inverse);
    const json bright = Calibrated(folder, inverse, "--body-mm 16 --at 470,110 --focal-px 3600");
    CHECK(std::abs(Value(bright["px_per_mm"]) - true_scale) < 2.0 * U(bright["px_per_mm"]));
  }
}

TEST_CASE("two points with a length give the scale, the distortion taken out", "[process][scale]") {
  const Folder folder("scale_points");
  DrawnCamera camera;
  const cv::Mat empty(camera.height, camera.width, CV_8U, cv::Scalar(128));
  const json plain =
      Calibrated(folder, empty, "--from 100,300.5 --to 900,300.5 --length-mm 100 --focal-px 3600");
  CHECK(Value(plain["px_per_mm"]) == Approx(8.0).epsilon(1e-9));
  CHECK(BudgetLine(plain["px_per_mm"], "points picked") == Approx(8.0 * std::sqrt(0.5) / 800.0));
  CHECK(BudgetLine(plain["px_per_mm"], "length (assumed 0.3 %)") == Approx(0.024));
  CHECK(BudgetLine(plain["px_per_mm"], "offset") == Approx(8.0 / 450.0));  // 1 mm at 3600 / 8 mm
  // Points of a line through the centre, bent by k1: (1 + k1 r^2) with r = 50 / 450.
  const double r = 50.0 / 450.0;
  camera.k1 = -1.2;
  folder.Write("lens.toml", LensText(camera));
  const double bent = 3600.0 * r * (1.0 - 1.2 * r * r);
  const json lens = Calibrated(folder, empty,
                               "--lens lens.toml --length-mm 100 --from " + std::to_string(479.5 - bent) +
                                   ",359.5 --to " + std::to_string(479.5 + bent) + ",359.5");
  CHECK(Value(lens["px_per_mm"]) == Approx(8.0).epsilon(1e-6));
  // Doubling the length halves the scale; u of the length goes with it.
  const json twice = Calibrated(
      folder, empty, "--from 100,300.5 --to 900,300.5 --length-mm 200 --focal-px 3600 --u-percent 1");
  CHECK(Value(twice["px_per_mm"]) == Approx(4.0).epsilon(1e-9));
  CHECK(BudgetLine(twice["px_per_mm"], "length") == Approx(0.04));
}

TEST_CASE("what cannot give a scale is refused", "[process][scale]") {
  const Folder folder("scale_bad");
  cv::imwrite((folder / "grey.png").string(), cv::Mat(480, 640, CV_8U, cv::Scalar(128)));
  const auto refused = [&](const std::string& options, const char* says) {
    const Outcome outcome = folder.Run("calibrate scale grey.png --out s.toml " + options);
    INFO(options << ": " << outcome.err);
    CHECK(outcome.exit == 2);
    CHECK(outcome.ErrorLines() <= 6);
    CHECK_THAT(outcome.err, Contains(says));
    CHECK_FALSE(folder.Has("s.toml"));
  };
  refused("", "one way to the scale");
  refused("--from 1,1 --to 300,1", "--length-mm");
  refused("--from 1,1 --to 300,1 --length-mm 10 --body-mm 12 --at 3,3", "one only");
  refused("--from 1,1 --to 3,1 --length-mm 10", "2.0 px apart");
  refused("--from 1,1 --to 900,1 --length-mm 10", "outside the picture");
  refused("--columns 9 --rows 6 --square-mm 10", "not seen");
  refused("--body-mm 12", "--at");
  refused("--body-mm 12 --at 300,200", "no edges of a body");
  refused("--from 1,1 --to 300,1 --length-mm 10 --u-percent -1", "not negative");
  folder.Write("lens.toml", LensText({}));  // 960 x 720: the shape fits
  CHECK(folder.Run("calibrate scale grey.png --from 1,1 --to 300,1 --length-mm 10 --lens lens.toml --json")
            .exit == 0);
  folder.Write("lens.toml", LensText({960, 540}));
  refused("--from 1,1 --to 300,1 --length-mm 10 --lens lens.toml", "another shape");
  CHECK(folder.Run("calibrate scale nothing.png --from 1,1 --to 300,1 --length-mm 10 --json").exit == 2);
}

TEST_CASE("the rig takes scale, tilt and axis from the scale file, and the budget says so",
          "[process][scale]") {
  const Folder folder("scale_rig");
  DrawFrames(folder / "frames", DrawnSpray{});
  folder.Write("scale.toml",
               "[scale]\nmethod = \"board\"\nwidth_px = 320\nheight_px = 240\npx_per_mm = 8.0\nu_px_per_mm = "
               "0.04\ntilt_deg = 3.0\nu_tilt_deg = 0.6\naxis_deg = 0.5\nu_axis_deg = 0.2\n");
  folder.Write("rig.toml", kRig + "[scale]\ncalibration = \"scale.toml\"\n[camera]\ndistance_mm = 600\n");
  const auto measured = [&] {
    const Outcome outcome = folder.Run("measure frames --rig rig.toml --json out.json --archive book.db");
    INFO(outcome.out << outcome.err);
    REQUIRE(outcome.exit == 0);
    return json::parse(folder.Read("out.json"));
  };
  const json by_file = measured();
  CHECK(by_file["scale"]["px_per_mm"]["value"] == 8.0);
  CHECK(by_file["scale"]["px_per_mm"]["u"] == 0.04);
  CHECK(by_file["scale"]["px_per_mm"]["budget"][0]["source"] == "scale (as calibrated)");
  CHECK(by_file["inputs"]["calibrations"][0]["path"] == "scale.toml");
  const json& mean = by_file["points"][0]["half_angle_deg"]["mean"];
  CHECK(BudgetLine(mean, "tilt (as calibrated)") > 0.0);
  CHECK(BudgetLine(by_file["points"][0]["half_angle_deg"]["left"], "axis") == Approx(0.2));
  // A recorded run can be measured again from what the archive keeps, the scale file gone.
  folder.Shell("rm scale.toml");
  const Outcome verified = folder.Run("verify --archive book.db --footage . --remeasure");
  INFO(verified.out << verified.err);
  CHECK(verified.exit == 0);

  // The same, stated in the rig itself.
  folder.Write("rig.toml",
               kRig +
                   "[scale]\npx_per_mm = 8.0\nu_px_per_mm = 0.04\n[camera]\ndistance_mm = 600\ntilt_deg = "
                   "3.0\nu_tilt_deg = 0.6\n");
  std::string rig = folder.Read("rig.toml");
  rig.replace(rig.find("exit_diameter_mm = 2.0"), 22,
              "exit_diameter_mm = 2.0\naxis_deg = 0.5\nu_axis_deg = 0.2");
  folder.Write("rig.toml", rig);
  const json by_rig = measured();
  CHECK(by_rig["points"][0]["half_angle_deg"]["mean"]["value"] == mean["value"]);
  CHECK(by_rig["points"][0]["half_angle_deg"]["mean"]["u"] == mean["u"]);
}

TEST_CASE("a scale file of another picture size, or beside a stated scale, is refused", "[process][scale]") {
  const Folder folder("scale_refused");
  DrawFrames(folder / "frames", DrawnSpray{});
  const std::string file = "[scale]\nwidth_px = 640\nheight_px = 480\npx_per_mm = 8.0\nu_px_per_mm = 0.04\n";
  folder.Write("scale.toml", file);
  folder.Write("rig.toml", kRig + "[scale]\ncalibration = \"scale.toml\"\n");
  const Outcome size = folder.Run("measure frames --rig rig.toml");
  CHECK(size.exit == 2);
  CHECK_THAT(size.err, Contains("640 x 480") && Contains("320 x 240"));
  folder.Write("rig.toml", kRig + "[scale]\ncalibration = \"scale.toml\"\npx_per_mm = 8.0\n");
  CHECK_THAT(folder.Run("measure frames --rig rig.toml").err, Contains("both give the scale"));
  folder.Write("rig.toml", kRig + "[scale]\ncalibration = \"none.toml\"\n");
  CHECK_THAT(folder.Run("measure frames --rig rig.toml").err, Contains("cannot read"));
  folder.Write("rig.toml", kRig + "[scale]\ncalibration = \"scale.toml\"\n");
  folder.Write("scale.toml", file + "u_px_per_mmm = 1\n");
  CHECK_THAT(folder.Run("measure frames --rig rig.toml").err, Contains("did you mean u_px_per_mm"));
}
