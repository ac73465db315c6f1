// `conebook calibrate lens`, and what a lens file does to a measurement. The chessboard pictures are real:
// left01 to left14 (there is no left10) of Debian's opencv-doc package, 9 x 6 inner corners.
#include <cmath>
#include <map>
#include <set>
#include <string>

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include "program.h"
#include "result_flags.h"

using namespace conebook::tests;
using Catch::Matchers::Contains;
using nlohmann::json;

namespace {

const std::string kBoards = "/usr/share/doc/opencv-doc/examples/data/left";

std::string Boards(const std::set<int>& numbers) {
  std::string files;
  for (const int number : numbers)
    files += " " + kBoards + (number < 10 ? "0" : "") + std::to_string(number) + ".jpg";
  return files;
}

const std::set<int> kAll{1, 2, 3, 4, 5, 6, 7, 8, 9, 11, 12, 13, 14};

const std::string kLens320 =
    "[lens]\nwidth_px = 320\nheight_px = 240\nfx_px = 400.0\nfy_px = 400.0\ncx_px = 159.5\ncy_px = 119.5\nk1 "
    "= -0.3\n";
const std::string kSprayRig = kRig +
                              "[scale]\npx_per_mm = 8.0\nu_px_per_mm = 0.04\n[stations]\nnear_mm = "
                              "2.0\nfar_mm = 11.0\n[camera]\nlens = \"lens.toml\"\n";

json Measured(const Folder& folder) {
  const Outcome outcome = folder.Run("measure frames --rig rig.toml --json out.json");
  INFO(outcome.out << outcome.err);
  REQUIRE(outcome.exit == 0);
  return json::parse(folder.Read("out.json"));
}

double BudgetLine(const json& quantity, const std::string& beginning) {
  for (const json& part : quantity["budget"]) {
    if (part["source"].get<std::string>().rfind(beginning, 0) == 0) return part["u"];
  }
  return -1.0;
}

}  // namespace

TEST_CASE("OpenCV's chessboard pictures give the published lens within the stated u", "[process][lens]") {
  const Folder folder("lens_real");
  const Outcome outcome = folder.Run("calibrate lens" + Boards(kAll) +
                                     " --columns 9 --rows 6 --square-mm 25 --out lens.toml --json lens.json");
  INFO(outcome.out << outcome.err);
  REQUIRE(outcome.exit == 0);
  const json lens = json::parse(folder.Read("lens.json"));
  // Published: left_intrinsics.yml of the same package, made with one refinement window of 11 px.
  const std::map<std::string, double> published{
      {"fx_px", 535.91573}, {"fy_px", 535.91573}, {"cx_px", 342.28315},
      {"cy_px", 235.57083}, {"k1", -0.26637},     {"k2", -0.038589},
      {"p1", 0.0017832},    {"p2", -0.00028122},  {"k3", 0.238392}};
  for (const auto& [key, value] : published) {
    INFO(key << " " << lens[key].dump());
    CHECK(std::abs(lens[key]["value"].get<double>() - value) <= lens[key]["u"].get<double>());
    // A u so large that it says nothing would pass, too: a per cent of the focal length, 3 px of the centre.
    if (key[0] == 'f') CHECK(lens[key]["u"].get<double>() < 5.4);
    if (key[0] == 'c') CHECK(lens[key]["u"].get<double>() < 3.0);
  }
  // Bounds of what half windows of 5 to 11 px give in OpenCV's own fit.
  CHECK(lens["fx_px"]["value"].get<double>() == Approx(535.0).margin(2.0));
  CHECK(lens["fy_px"]["value"].get<double>() == Approx(535.0).margin(2.0));
  CHECK(lens["cx_px"]["value"].get<double>() == Approx(342.4).margin(0.1));
  CHECK(lens["cy_px"]["value"].get<double>() == Approx(234.65).margin(0.95));
  CHECK(lens["rms_px"].get<double>() >= 0.19);
  CHECK(lens["rms_px"].get<double>() <= 0.42);
  CHECK(lens["views_used"] == 13);
  // The window is in the budget: published half windows of 5 and 11 px differ by some 3 px in focal length.
  CHECK(BudgetLine(lens["fx_px"], "corner-refinement window") > 1.0);
  CHECK(BudgetLine(lens["fx_px"], "views") > 0.3);
  CHECK_THAT(outcome.err, Contains("left02.jpg"));  // squares smaller than the window
}

TEST_CASE("a folder of frames, as a clip, gives the same lens as its pictures", "[process][lens]") {
  const Folder folder("lens_folder");
  fs::create_directories(folder / "board");
  for (const int number : {1, 3, 4, 5, 6, 8}) {
    const std::string name = "left0" + std::to_string(number) + ".jpg";
    cv::imwrite((folder / ("board/" + name + ".png")).string(),
                cv::imread(kBoards + name.substr(4), cv::IMREAD_GRAYSCALE));
  }
  REQUIRE(folder.Run("calibrate lens board --json clip.json").exit == 0);
  REQUIRE(folder.Run("calibrate lens board/*.png --json pictures.json").exit == 0);
  const json clip = json::parse(folder.Read("clip.json")),
             pictures = json::parse(folder.Read("pictures.json"));
  CHECK(clip["views_used"] == 6);
  for (const char* key : {"fx_px", "cy_px", "k1"}) CHECK(clip[key] == pictures[key]);
  // And as a video, uncompressed (YUV4MPEG2), at an awkward rate.
  std::string video = "YUV4MPEG2 W640 H480 F24000:1001 Ip A1:1 Cmono\n";
  for (const int number : {1, 3, 4, 5, 6, 8}) {
    const cv::Mat grey = cv::imread(kBoards + "0" + std::to_string(number) + ".jpg", cv::IMREAD_GRAYSCALE);
    video += "FRAME\n" + std::string(grey.ptr<char>(), grey.total());
  }
  folder.Write("board.y4m", video);
  REQUIRE(folder.Run("calibrate lens board.y4m --json video.json").exit == 0);
  CHECK(json::parse(folder.Read("video.json"))["fx_px"] == pictures["fx_px"]);
}

TEST_CASE("fewer views give a larger u, and poor coverage is said", "[process][lens]") {
  const Folder folder("lens_few");
  const Outcome few = folder.Run("calibrate lens" + Boards({3, 4, 5, 6}) + " --json few.json --out few.toml");
  INFO(few.err);
  REQUIRE(few.exit == 0);
  const json four = json::parse(folder.Read("few.json"));
  CHECK_THAT(few.err, Contains("4 views only"));
  CHECK(four["frame_covered"].get<double>() < 0.65);
  REQUIRE(folder.Run("calibrate lens" + Boards(kAll) + " --json all.json").exit == 0);
  const json all = json::parse(folder.Read("all.json"));
  CHECK(BudgetLine(four["fx_px"], "views") > BudgetLine(all["fx_px"], "views"));

  const Outcome three = folder.Run("calibrate lens" + Boards({3, 4, 5}) + " --out lens.toml");
  CHECK(three.exit == 2);
  CHECK_THAT(three.err, Contains("3 of 3 pictures; at least 4"));
  const Outcome wrong = folder.Run("calibrate lens" + Boards(kAll) + " --columns 8 --rows 5 --out lens.toml");
  CHECK(wrong.exit == 2);
  CHECK_THAT(wrong.err, Contains("inner corners, not squares"));
  CHECK(folder.Run("calibrate lens" + Boards(kAll)).exit == 2);  // nowhere to write
  CHECK_FALSE(folder.Has("lens.toml"));
}

TEST_CASE("the lens file reads back, and its u feeds the half angle's budget", "[process][lens]") {
  const Folder folder("lens_budget");
  DrawFrames(folder / "frames", DrawnSpray{});
  folder.Write("rig.toml", kSprayRig);
  folder.Write("lens.toml", kLens320);
  const json plain = Measured(folder);
  const json& bare = plain["points"][0]["half_angle_deg"]["mean"];
  CHECK(BudgetLine(bare, "lens") < 0.0);

  // The distortion alone, uncertain by itself: both ways round by hand, k1 one u up and down.
  folder.Write("lens.toml", kLens320 + "u_k1 = 0.4\n");
  const json stated = Measured(folder);
  const json& with = stated["points"][0]["half_angle_deg"]["mean"];
  CHECK(with["value"].get<double>() == Approx(bare["value"].get<double>()).margin(1e-9));
  folder.Write("lens.toml", std::string(kLens320).replace(kLens320.find("-0.3"), 4, "0.1"));
  const double up = Measured(folder)["points"][0]["half_angle_deg"]["mean"]["value"];
  folder.Write("lens.toml", std::string(kLens320).replace(kLens320.find("-0.3"), 4, "-0.7"));
  const double down = Measured(folder)["points"][0]["half_angle_deg"]["mean"]["value"];
  // Rows enter and leave at the stations as the lens changes, and the tilt is taken out anew: not to the last
  // digit.
  CHECK(BudgetLine(with, "lens (as calibrated)") == Approx(0.5 * std::abs(up - down)).epsilon(0.15));
  // The distance is focal length over scale. With u in the lens file its share comes with the lens: of the
  // scale's 0.5 % and the lens's 1 % the former is left.
  CHECK(BudgetLine(with, "camera distance (by lens and scale)") <
        0.8 * BudgetLine(bare, "camera distance (by lens, assumed 1 %, and scale)"));

  // A correlation of +1 between two opposite parameters adds, -1 takes away.
  std::string rows = "correlation = [\n";
  for (int i = 0; i < 9; ++i) {
    rows += "[";
    for (int k = 0; k < 9; ++k) {
      const bool pair = (i == 4 && k == 5) || (i == 5 && k == 4);
      rows += (k == 0 ? "" : ", ") + std::string(i == k ? "1.0" : pair ? "-1.0" : "0.0");
    }
    rows += "],\n";
  }
  rows += "]\n";
  folder.Write("lens.toml", kLens320 + "k2 = 0.0\nu_k1 = 0.3\nu_k2 = 2.0\n");
  const double independent =
      BudgetLine(Measured(folder)["points"][0]["half_angle_deg"]["mean"], "lens (as calibrated)");
  folder.Write("lens.toml", kLens320 + "k2 = 0.0\nu_k1 = 0.3\nu_k2 = 2.0\n" + rows);
  const double opposed =
      BudgetLine(Measured(folder)["points"][0]["half_angle_deg"]["mean"], "lens (as calibrated)");
  CHECK(opposed < independent);
  folder.Write("lens.toml", kLens320 + "u_k1 = 0.3\ncorrelation = [[1.0]]\n");
  CHECK_THAT(folder.Run("measure frames --rig rig.toml").err, Contains("nine rows"));
}

TEST_CASE("a lens file of another size is scaled where the shape is the same, else refused",
          "[process][lens]") {
  const Folder folder("lens_size");
  DrawFrames(folder / "frames", DrawnSpray{});
  folder.Write("rig.toml", kSprayRig);
  folder.Write("lens.toml", kLens320);
  const json same = Measured(folder);
  CHECK_FALSE(HasFlag(same, "lens_scaled"));
  // The same lens filmed with twice the pixels: the picture's edge at -0.5 stays where it is.
  folder.Write("lens.toml",
               "[lens]\nwidth_px = 640\nheight_px = 480\nfx_px = 800.0\nfy_px = 800.0\ncx_px = 319.5\ncy_px "
               "= 239.5\nk1 = -0.3\n");
  const json twice = Measured(folder);
  CHECK(HasFlag(twice, "lens_scaled"));
  CHECK(twice["points"][0]["half_angle_deg"]["mean"]["value"].get<double>() ==
        Approx(same["points"][0]["half_angle_deg"]["mean"]["value"].get<double>()).margin(1e-9));

  folder.Write("lens.toml",
               "[lens]\nwidth_px = 640\nheight_px = 360\nfx_px = 800.0\nfy_px = 800.0\ncx_px = 319.5\ncy_px "
               "= 179.5\n");
  const Outcome cropped = folder.Run("measure frames --rig rig.toml --json no.json");
  CHECK(cropped.exit == 2);
  CHECK_THAT(cropped.err, Contains("320 x 240") && Contains("640 x 360") && Contains("clip's own mode"));
  CHECK(cropped.ErrorLines() <= 6);
  CHECK_FALSE(folder.Has("no.json"));
}

TEST_CASE("a lens whose focal length contradicts distance and scale is told", "[process][lens]") {
  const Folder folder("lens_zoom");
  DrawFrames(folder / "frames", DrawnSpray{});
  folder.Write("lens.toml", kLens320);
  folder.Write("rig.toml", kSprayRig + "distance_mm = 50.0\n");  // 400 px / 8 px/mm
  CHECK_FALSE(HasFlag(Measured(folder), "camera_inconsistent"));
  folder.Write("rig.toml", kSprayRig + "distance_mm = 60.0\nu_distance_mm = 1.0\n");
  CHECK(FlagOf(Measured(folder), "camera_inconsistent")["severity"] == "warn");
}

// A u that is known to a quarter has 8 degrees of freedom (JCGM 100:2008, G.4.2), and 99.73 % of what is
// sound lies within 4.28 of it (Table G.2): the share of a chart's action limits, three standard deviations
// (ISO 7870-2, from memory).
TEST_CASE(
    "a focal length off by less than what one sound rig in 370 is off by is told and no cause for a warning",
    "[process][lens]") {
  const Folder folder("lens_two_u");
  DrawFrames(folder / "frames", DrawnSpray{});
  folder.Write("lens.toml", kLens320);
  // u: 1 mm of distance and 1 % of the focal length, with 0.5 % of the scale some 2.2 %.
  for (const auto& [distance_mm, severity] :
       {std::pair{"53.0", "info"}, {"54.0", "info"}, {"57.0", "warn"}}) {
    folder.Write("rig.toml", kSprayRig + "distance_mm = " + distance_mm + "\nu_distance_mm = 1.0\n");
    INFO(distance_mm << " mm for 50");
    CHECK(FlagOf(Measured(folder), "camera_inconsistent")["severity"] == severity);
  }
}
