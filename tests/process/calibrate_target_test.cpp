// `conebook calibrate target`: pages rasterised by librsvg and measured, codes read back from poor pictures.
#include <cmath>
#include <numbers>

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include "drawn_target.h"
#include "program.h"

using namespace conebook::tests;
using Catch::Matchers::Contains;
using nlohmann::json;

namespace {

constexpr double kDpi = 300.0;
constexpr double kPxPerMm = kDpi / 25.4;

// Darkness 0 to 1; partly covered pixels are grey, so that sums along a line measure to parts of a pixel.
cv::Mat1d Rasterised(const Folder& folder, const std::string& svg) {
  const Outcome outcome = folder.Shell("rsvg-convert -d 300 -p 300 " + svg + " -o page.png");
  INFO(outcome.err);
  REQUIRE(outcome.exit == 0);
  const cv::Mat grey = cv::imread((folder / "page.png").string(), cv::IMREAD_GRAYSCALE);
  REQUIRE_FALSE(grey.empty());
  cv::Mat1d dark;
  grey.convertTo(dark, CV_64F, -1.0 / 255.0, 1.0);
  return dark;
}

double DarkMm(const cv::Mat1d& line) {
  return cv::sum(line)[0] / kPxPerMm;
}

int Px(double mm) {
  return static_cast<int>(std::lround(mm * kPxPerMm));
}

cv::Mat1d Row(const cv::Mat1d& page, double y_mm, double x0_mm, double x1_mm) {
  return page(cv::Range(Px(y_mm), Px(y_mm) + 1), cv::Range(Px(x0_mm), Px(x1_mm)));
}

cv::Mat1d Column(const cv::Mat1d& page, double x_mm, double y0_mm, double y1_mm) {
  return page(cv::Range(Px(y0_mm), Px(y1_mm)), cv::Range(Px(x_mm), Px(x_mm) + 1));
}

// Half angle of the dark triangle whose tip is near: from its width, row by row.
double HalfAngleDeg(const cv::Mat1d& page, double x0_mm, double x1_mm, double y0_mm, double y1_mm) {
  const double top = DarkMm(Row(page, y0_mm, x0_mm, x1_mm)), bottom = DarkMm(Row(page, y1_mm, x0_mm, x1_mm));
  const double dy = (Px(y1_mm) - Px(y0_mm)) / kPxPerMm;
  return std::atan(0.5 * (bottom - top) / dy) * 180.0 / std::numbers::pi;
}

}  // namespace

TEST_CASE("the printed sheet measures true", "[process][target]") {
  const Folder folder("sheet_a4");
  const Outcome outcome = folder.Run("calibrate target --out sheet.svg --json sheet.json");
  INFO(outcome.out << outcome.err);
  REQUIRE(outcome.exit == 0);
  const json said = json::parse(folder.Read("sheet.json"));
  CHECK(said["check_length_mm"] == 100.0);
  CHECK(said["half_angles_deg"] == json({20.0, 35.0, 50.0}));
  const cv::Mat1d page = Rasterised(folder, "sheet.svg");
  // ISO 216 A4, to the pixel.
  CHECK(std::abs(page.cols - 210.0 * kPxPerMm) <= 1.0);
  CHECK(std::abs(page.rows - 297.0 * kPxPerMm) <= 1.0);

  // Check lengths; 0.02 mm: rounding of grey levels at both ends.
  CHECK(DarkMm(Row(page, 129.5, 40.0, 170.0)) == Approx(100.0).margin(0.02));
  CHECK(DarkMm(Column(page, 11.5, 18.0, 125.0)) == Approx(100.0).margin(0.02));

  // Squares of 10 mm, ten by seven, every other one dark.
  CHECK(DarkMm(Row(page, 25.0, 55.0, 165.0)) == Approx(50.0).margin(0.05));
  CHECK(DarkMm(Column(page, 65.0, 18.5, 95.0)) == Approx(40.0).margin(0.05));
  CHECK(cv::sum(page(cv::Range(Px(18.5), Px(95.0)), cv::Range(Px(55.0), Px(165.0))))[0] /
            (kPxPerMm * kPxPerMm) ==
        Approx(35.0 * 100.0).margin(2.0));

  // Known angles; 0.02 deg is what 0.02 mm over 40 mm makes.
  CHECK(HalfAngleDeg(page, 10.0, 90.0, 155.0, 200.0) == Approx(20.0).margin(0.02));
  CHECK(HalfAngleDeg(page, 90.0, 200.0, 155.0, 200.0) == Approx(35.0).margin(0.02));
  CHECK(HalfAngleDeg(page, 20.0, 190.0, 228.0, 264.0) == Approx(50.0).margin(0.02));
}

TEST_CASE("the printed sheet, filmed, gives the scale within 0.2 % and its angles within 0.1 deg",
          "[process][target]") {
  const Folder folder("sheet_filmed");
  REQUIRE(folder.Run("calibrate target --out sheet.svg").exit == 0);
  const cv::Mat1d page = Rasterised(folder, "sheet.svg");
  // Part of the page in the exit's plane, its point (x, y) mm where the exit would be. 3600 px at 600 mm: 6
  // px/mm.
  const DrawnCamera camera;
  const V3 exit = PlaceOf(camera, 480.0, 120.0, 600.0);
  const auto filmed = [&](double x_mm, double y_mm, double tilt_deg) {
    return Draw(
        camera,
        {Card(exit, LateralOf(1.0), AxisOf(1.0, tilt_deg), [&](double x, double y) -> std::optional<double> {
          const double u = (x + x_mm) * kPxPerMm, v = (y + y_mm) * kPxPerMm;
          if (u < 0.0 || v < 0.0 || u >= page.cols || v >= page.rows) return std::nullopt;
          return kBright + (kDark - kBright) * page(static_cast<int>(v), static_cast<int>(u));
        })});
  };
  cv::imwrite((folder / "board.png").string(), filmed(110.0, 17.0, 3.0));
  const Outcome scale = folder.Run(
      "calibrate scale board.png --columns 9 --rows 6 --square-mm 10 --focal-px 3600 --at 480,120 --json "
      "--out "
      "scale.toml");
  INFO(scale.out << scale.err);
  REQUIRE(scale.exit == 0);
  const json said = json::parse(scale.out);
  CHECK(said["px_per_mm"]["value"].get<double>() == Approx(6.0).epsilon(0.002));
  CHECK(said["tilt_deg"]["value"].get<double>() == Approx(3.0).margin(0.3));
  // Tips of the triangles on the page, as the layout has them; tilt and scale by the file just made.
  folder.Write(
      "rig.toml",
      kRig + "[scale]\ncalibration = \"scale.toml\"\n[camera]\nfocal_px = 3600.0\nu_focal_px = 30\n");
  const std::vector<std::array<double, 3>> triangles{
      {20.0, 49.27, 143.0}, {35.0, 140.55, 143.0}, {50.0, 105.0, 217.0}};
  for (const auto& [half_angle_deg, x_mm, y_mm] : triangles) {
    cv::imwrite((folder / "triangle.png").string(), filmed(x_mm, y_mm, 3.0));
    const Outcome check = folder.Run(
        "calibrate cone triangle.png --shape triangle --rig rig.toml --json --tip 480,120 "
        "--half-angle-deg " +
        std::to_string(half_angle_deg));
    INFO(check.out << check.err);
    REQUIRE(check.exit == 0);
    const json read = json::parse(check.out);
    CHECK(std::abs(read["difference_deg"]["value"].get<double>()) < 0.1);
    CHECK(read["tip_px"][0].get<double>() == Approx(480.0).margin(3.0));
    CHECK(read["within_2u"] == true);
  }
}

TEST_CASE("another board and another paper fit, or are refused", "[process][target]") {
  const Folder folder("sheet_letter");
  REQUIRE(
      folder.Run("calibrate target --paper letter --columns 7 --rows 5 --square-mm 12 --out s.svg").exit ==
      0);
  const cv::Mat1d page = Rasterised(folder, "s.svg");
  CHECK(std::abs(page.cols - 215.9 * kPxPerMm) <= 1.0);  // 8.5 in
  CHECK(std::abs(page.rows - 279.4 * kPxPerMm) <= 1.0);  // 11 in
  CHECK(DarkMm(Row(page, 26.0, 50.0, 180.0)) == Approx(48.0).margin(0.05));
  const Outcome large = folder.Run("calibrate target --square-mm 25 --out large.svg");
  CHECK(large.exit == 2);
  CHECK_THAT(large.err, Contains("does not fit"));
  CHECK_FALSE(folder.Has("large.svg"));
  CHECK(folder.Run("calibrate target").exit == 2);
  CHECK(folder.Run("calibrate target --out nowhere/sheet.svg").exit == 2);
}

TEST_CASE("element cards can be read from small, turned, smeared and noisy pictures", "[process][target]") {
  const Folder folder("cards");
  REQUIRE(folder.Run("calibrate target --element A07 --element B-12/x --element \"Nr <7> & 8\" --out c.svg")
              .exit == 0);
  const cv::Mat1d page = Rasterised(folder, "c.svg");
  cv::Mat grey;
  page.convertTo(grey, CV_8U, -180.0, 210.0);
  const auto read = [&](const cv::Mat& picture) {
    cv::imwrite((folder / "seen.png").string(), picture);
    const Outcome outcome = folder.Run("calibrate target --read seen.png --json");
    INFO(outcome.err);
    REQUIRE(outcome.exit == 0);
    return json::parse(outcome.out)["pictures"][0]["elements"];
  };
  const json all{"A07", "B-12/x", "Nr <7> & 8"};
  CHECK(read(grey) == all);
  cv::Mat small;
  cv::resize(grey, small, {}, 0.25, 0.25, cv::INTER_AREA);
  CHECK(read(small) == all);

  // One card as a camera may see it: turned by 25 deg, seen aslant, out of focus, with noise.
  const cv::Mat card = grey(cv::Range(Px(10.0), Px(79.0)), cv::Range(Px(10.0), Px(104.0)));
  const std::vector<cv::Point2f> from{{0, 0}, {1110, 0}, {1110, 815}, {0, 815}};
  const std::vector<cv::Point2f> to{{120, 20}, {520, 190}, {400, 470}, {30, 330}};
  cv::Mat seen;
  cv::warpPerspective(card, seen, cv::getPerspectiveTransform(from, to), {640, 480}, cv::INTER_AREA,
                      cv::BORDER_CONSTANT, cv::Scalar(90));
  cv::GaussianBlur(seen, seen, {}, 1.5);
  cv::Mat noise(seen.size(), CV_8U);
  cv::theRNG().state = 3;
  cv::randn(noise, 12, 6);
  seen += noise;
  CHECK(read(seen) == json({"A07"}));
  // No card, no id; never a guess.
  CHECK(read(cv::Mat(480, 640, CV_8U, cv::Scalar(120))) == json::array());
  cv::Mat smeared;
  cv::GaussianBlur(seen, smeared, {}, 12.0);
  CHECK(read(smeared) == json::array());
}

TEST_CASE("more cards than a page takes go onto further pages", "[process][target]") {
  const Folder folder("pages");
  std::string elements;
  for (int i = 1; i <= 9; ++i) elements += " --element E" + std::to_string(i);
  REQUIRE(folder.Run("calibrate target" + elements + " --out cards.svg").exit == 0);
  CHECK(folder.Has("cards.svg"));
  Rasterised(folder, "cards_2.svg");
  CHECK_THAT(folder.Run("calibrate target --read page.png").out, Contains("E9") && !Contains("E8"));
  CHECK(folder.Run("calibrate target --element \"\" --out e.svg").exit == 2);
}
