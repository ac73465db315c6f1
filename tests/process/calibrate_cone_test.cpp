// `conebook calibrate cone` on drawn cones and triangles of known angle and tilt, and what the file of checks
// does to a measurement. The bar everywhere is 0.1 deg.
#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include "drawn_target.h"
#include "program.h"

using namespace conebook::tests;
using Catch::Matchers::Contains;
using nlohmann::json;

namespace {

constexpr double kBarDeg = 0.1;

// 3600 px of focal length at 450 mm: 8 px/mm.
std::string Rig(double tilt_deg, double axis_deg, const std::string& more_camera = "") {
  return "[element]\nid = \"A07\"\n[nozzle]\nexit_diameter_mm = 2.0\naxis_deg = " + std::to_string(axis_deg) +
         "\nu_axis_deg = 0.2\n[scale]\npx_per_mm = 8.0\nu_px_per_mm = 0.04\n[camera]\ndistance_mm = "
         "450\nu_distance_mm "
         "= 5\ntilt_deg = " +
         std::to_string(tilt_deg) + "\nu_tilt_deg = 0.5\n" + more_camera;
}

json Checked(const Folder& folder, const cv::Mat& picture, const std::string& options) {
  cv::imwrite((folder / "seen.png").string(), picture);
  const Outcome outcome = folder.Run("calibrate cone seen.png --json " + options);
  INFO(options << "\n" << outcome.out << outcome.err);
  REQUIRE(outcome.exit == 0);
  return json::parse(outcome.out);
}

double Mean(const json& check) {
  return check["half_angle_deg"]["mean"]["value"];
}

double Difference(const json& check) {
  return check["difference_deg"]["value"];
}

}  // namespace

TEST_CASE("turned cones are read within 0.1 deg of what they are", "[process][cone_check]") {
  const Folder folder("cone_solid");
  struct Case {
    double half_angle_deg, tilt_deg, axis_deg;
  };
  unsigned seed = 1;
  for (const Case& c : {Case{20, 0, 0}, Case{30, 0, 2}, Case{35, 8, 0}, Case{50, 0, -3}, Case{45, -6, 1}}) {
    DrawnCamera camera;
    camera.seed = seed++;
    const V3 tip = PlaceOf(camera, 520.0, 170.0, 450.0);
    const cv::Mat picture =
        Draw(camera, {SolidCone(tip, AxisOf(c.axis_deg, c.tilt_deg), c.half_angle_deg, 32.0)});
    folder.Write("rig.toml", Rig(c.tilt_deg, c.axis_deg));
    const json check =
        Checked(folder, picture, "--rig rig.toml --half-angle-deg " + std::to_string(c.half_angle_deg));
    INFO(check.dump(1));
    CHECK(std::abs(Difference(check)) < kBarDeg);
    CHECK(check["half_angle_deg"]["left"]["value"].get<double>() == Approx(c.half_angle_deg).margin(0.15));
    CHECK(check["half_angle_deg"]["right"]["value"].get<double>() == Approx(c.half_angle_deg).margin(0.15));
    CHECK(check["within_2u"] == true);
    CHECK(check["difference_deg"]["u"].get<double>() < 0.15);
    CHECK(check["tip_px"][0].get<double>() == Approx(520.0).margin(0.5));
    CHECK(check["tip_px"][1].get<double>() == Approx(170.0).margin(1.0));
  }
}

TEST_CASE("printed triangles are read within 0.1 deg, in the card's own plane", "[process][cone_check]") {
  const Folder folder("cone_triangle");
  unsigned seed = 11;
  for (const double half_angle_deg : {20.0, 35.0, 50.0}) {
    for (const double tilt_deg : {0.0, 7.0}) {
      DrawnCamera camera;
      camera.seed = seed++;
      camera.blur_px = 1.2;
      const V3 tip = PlaceOf(camera, 450.0, 180.0, 450.0);
      const cv::Mat picture = Draw(camera, {TriangleCard(tip, 1.0, tilt_deg, half_angle_deg, 30.0)});
      folder.Write("rig.toml", Rig(tilt_deg, 1.0));
      const std::string known = " --half-angle-deg " + std::to_string(half_angle_deg);
      const json check = Checked(folder, picture, "--shape triangle --rig rig.toml" + known);
      INFO(check.dump(1));
      CHECK(std::abs(Difference(check)) < kBarDeg);
      CHECK(check["within_2u"] == true);
      // Taken for a cone, a tilted triangle would read otherwise: the two shapes are not the same.
      if (tilt_deg > 0.0 && half_angle_deg > 30.0)
        CHECK(std::abs(Mean(Checked(folder, picture, "--rig rig.toml" + known)) - half_angle_deg) > 0.04);
    }
  }
}

TEST_CASE("a tilt that the rig does not know is told from a known cone", "[process][cone_check]") {
  const Folder folder("cone_tilt");
  const DrawnCamera camera;
  const V3 tip = PlaceOf(camera, 480.0, 200.0, 450.0);
  const cv::Mat picture = Draw(camera, {SolidCone(tip, AxisOf(0.0, 10.0), 40.0, 30.0)});
  folder.Write("rig.toml", Rig(0.0, 0.0));
  const json check = Checked(folder, picture, "--rig rig.toml --half-angle-deg 40 --u-half-angle-deg 0.02");
  INFO(check.dump(1));
  // sin(a') = sin(a) / cos(e): e, against the plane across the line of sight, is the tilt and how far the tip
  // stands above the picture's middle.
  const double elevation_deg = std::atan(159.5 / 3600.0) / Rad(1.0);
  CHECK(check["within_2u"] == false);
  CHECK(Difference(check) > 0.5);
  const json& towards = check["implied_tilt_deg"]["towards"];
  const json& away = check["implied_tilt_deg"]["away"];
  CHECK(towards["value"].get<double>() == Approx(10.0).margin(0.5));
  CHECK(towards["lo95"].get<double>() < 10.0);
  CHECK(towards["hi95"].get<double>() > 10.0);
  // Away from the camera by as much again beyond the line of sight.
  CHECK(away["value"].get<double>() == Approx(-10.0 - 2.0 * elevation_deg).margin(0.5));

  // A cone that reads too narrow: no tilt does that.
  const json narrow = Checked(folder, picture, "--rig rig.toml --half-angle-deg 45 --u-half-angle-deg 0.02");
  CHECK(narrow["implied_tilt_deg"]["towards"].is_null());
  CHECK(narrow["implied_tilt_deg"]["away"].is_null());
}

TEST_CASE("the lens's distortion is taken out, and a wrong one shows", "[process][cone_check]") {
  const Folder folder("cone_lens");
  DrawnCamera camera;
  camera.k1 = -1.5;
  folder.Write("lens.toml", LensText(camera));
  const V3 tip = PlaceOf(camera, 300.0, 60.0, 450.0);
  const cv::Mat picture = Draw(camera, {SolidCone(tip, AxisOf(0.0, 0.0), 25.0, 60.0)});
  folder.Write("rig.toml", Rig(0.0, 0.0, "lens = \"lens.toml\"\n"));
  CHECK(std::abs(Difference(Checked(folder, picture, "--rig rig.toml --half-angle-deg 25"))) < kBarDeg);
  folder.Write("rig.toml", Rig(0.0, 0.0));
  const json bare = Checked(folder, picture, "--rig rig.toml --half-angle-deg 25");
  CHECK(std::abs(Difference(bare)) > kBarDeg);
}

TEST_CASE("a cone on a shank, a nozzle above and other dark things do not mislead", "[process][cone_check]") {
  const Folder folder("cone_clutter");
  DrawnCamera camera;
  camera.noise = 3.0;
  const V3 tip = PlaceOf(camera, 480.0, 220.0, 450.0);
  const V3 down = AxisOf(0.0, 0.0);
  // A lathe centre, point up: 30 deg to the side, its shank down out of the picture; a larger dark plate
  // beside it.
  const Thing shank = [=](const V3& ray) -> std::optional<double> {
    const V3 at = ray * (450.0 / ray[2]) - tip;
    return std::abs(at[0]) < 12.0 && at[1] > 20.0 ? std::optional(kDark) : std::nullopt;
  };
  const Thing plate = [=](const V3& ray) -> std::optional<double> {
    const V3 at = ray * (450.0 / ray[2]) - tip;
    return at[0] > 25.0 ? std::optional(kDark) : std::nullopt;
  };
  const double height = 12.0 / std::tan(Rad(30.0));
  const cv::Mat picture = Draw(camera, {SolidCone(tip, down, 30.0, height), shank, plate});
  folder.Write("rig.toml", Rig(0.0, 0.0));
  const json check = Checked(folder, picture, "--rig rig.toml --half-angle-deg 30");
  INFO(check.dump(1));
  CHECK(std::abs(Difference(check)) < kBarDeg);

  // Three triangles on one card: the one at the tip that is named.
  const std::vector<std::pair<double, double>> at{{150.0, 20.0}, {420.0, 35.0}, {760.0, 45.0}};
  std::vector<Thing> card;
  for (const auto& [x_px, half_angle_deg] : at) {
    const V3 where = PlaceOf(camera, x_px, 250.0, 450.0);
    const double slope = std::tan(Rad(half_angle_deg));
    card.push_back([=](const V3& ray) -> std::optional<double> {
      const V3 p = ray * (450.0 / ray[2]) - where;
      return p[1] > 0.0 && p[1] < 18.0 && std::abs(p[0]) < slope * p[1] ? std::optional(kDark) : std::nullopt;
    });
  }
  const cv::Mat three = Draw(camera, card);
  for (const auto& [x_px, half_angle_deg] : at) {
    const json one = Checked(folder, three,
                             "--shape triangle --rig rig.toml --half-angle-deg " +
                                 std::to_string(half_angle_deg) + " --tip " + std::to_string(x_px) + ",250");
    CHECK(std::abs(Difference(one)) < kBarDeg);
  }
}

TEST_CASE("where there is no cone, none is read", "[process][cone_check]") {
  const Folder folder("cone_none");
  const DrawnCamera camera;
  const V3 exit = PlaceOf(camera, 480.0, 300.0, 450.0);
  cv::imwrite((folder / "body.png").string(), Draw(camera, {Body(exit, AxisOf(0.0, 0.0), 16.0)}));
  cv::imwrite((folder / "grey.png").string(), cv::Mat(480, 640, CV_8U, cv::Scalar(128)));
  for (const char* name : {"body.png", "grey.png"}) {
    const Outcome outcome =
        folder.Run(std::string("calibrate cone ") + name + " --half-angle-deg 30 --out c.toml");
    INFO(name << outcome.out << outcome.err);
    CHECK(outcome.exit == 2);
    CHECK_THAT(outcome.err, Contains("no dark shape"));
    CHECK(outcome.ErrorLines() <= 6);
    CHECK_FALSE(folder.Has("c.toml"));
  }
  CHECK_THAT(folder.Run("calibrate cone grey.png").err, Contains("--half-angle-deg is missing"));
  CHECK_THAT(folder.Run("calibrate cone grey.png --half-angle-deg 95").err,
             Contains("half of the full angle"));
  CHECK_THAT(folder.Run("calibrate cone").err, Contains("CLIP is missing"));
}

TEST_CASE("checks are kept with the rig, quoted in the budget and charted", "[process][cone_check]") {
  const Folder folder("cone_kept");
  DrawnCamera camera;
  fs::create_directories(folder / "cone");
  const V3 tip = PlaceOf(camera, 480.0, 200.0, 450.0);
  for (unsigned i = 0; i < 4; ++i) {
    camera.seed = 20 + i;
    cv::imwrite((folder / ("cone/f" + std::to_string(i) + ".png")).string(),
                Draw(camera, {SolidCone(tip, AxisOf(0.0, 0.0), 30.0, 30.0)}));
  }
  folder.Write("rig.toml", Rig(0.0, 0.0));
  const auto check = [&](const std::string& known, const std::string& date) {
    const Outcome outcome = folder.Run(
        "calibrate cone cone --rig rig.toml --out checks.toml --report checks.html "
        "--half-angle-deg " +
        known + " --date " + date);
    INFO(outcome.out << outcome.err);
    REQUIRE(outcome.exit == 0);
    return outcome.out;
  };
  CHECK_THAT(check("30", "2031-05-04"), Contains("4 pictures") && Contains("within 2 u"));
  folder.Write("checks.toml", "# kept as it is\n" + folder.Read("checks.toml"));
  check("30", "2031-06-01");
  const std::string kept = folder.Read("checks.toml");
  CHECK_THAT(kept, Contains("# kept as it is") && Contains("2031-05-04") && Contains("2031-06-01"));
  const std::string page = folder.Read("checks.html");
  CHECK_THAT(page,
             Contains("Known cones, check by check") && Contains("2031-06-01") && Contains("within 2 u"));
  CHECK(page.find("src=\"http") == std::string::npos);

  // Quoted: the last day's checks only, as a line of the budget.
  DrawFrames(folder / "frames", DrawnSpray{});
  folder.Write("spray.toml", kRig + "[scale]\npx_per_mm = 8.0\n[camera]\ncone_checks = \"checks.toml\"\n");
  const auto measured = [&] {
    const Outcome outcome = folder.Run("measure frames --rig spray.toml --json out.json --archive book.db");
    INFO(outcome.out << outcome.err);
    REQUIRE(outcome.exit == 0);
    return json::parse(folder.Read("out.json"));
  };
  const auto line = [](const json& result, const char* which) {
    for (const json& part : result["points"][0]["half_angle_deg"][which]["budget"]) {
      if (part["source"].get<std::string>().find("known cone") != std::string::npos) return part;
    }
    return json();
  };
  const json fine = measured();
  REQUIRE(line(fine, "mean").is_object());
  CHECK_THAT(line(fine, "mean")["source"].get<std::string>(), Contains("2031-06-01"));
  CHECK(line(fine, "mean")["u"].get<double>() < kBarDeg);
  CHECK(line(fine, "lean").is_null());
  const auto flagged = [](const json& result) {
    for (const json& flag : result["flags"]) {
      if (flag["code"] == "known_cone_off") return true;
    }
    return false;
  };
  CHECK_FALSE(flagged(fine));
  CHECK(fine["inputs"]["calibrations"][0]["path"] == "checks.toml");

  // A check that reads half a degree off counts in full, and is told.
  check("29.5", "2031-07-01");
  const json off = measured();
  CHECK(line(off, "mean")["u"].get<double>() == Approx(0.5).margin(kBarDeg));
  CHECK(flagged(off));
  CHECK(off["points"][0]["half_angle_deg"]["mean"]["value"] ==
        fine["points"][0]["half_angle_deg"]["mean"]["value"]);
  CHECK(off["points"][0]["half_angle_deg"]["mean"]["u"].get<double>() >
        fine["points"][0]["half_angle_deg"]["mean"]["u"].get<double>());
  const Outcome verified = folder.Run("verify --archive book.db --footage . --remeasure");
  INFO(verified.out << verified.err);
  CHECK(verified.exit == 0);

  folder.Write("checks.toml", "[[check]]\ndate = \"2031-05-04\"\nhalf_angel_deg = 3\n");
  CHECK_THAT(folder.Run("measure frames --rig spray.toml").err, Contains("did you mean half_angle_deg"));
}
