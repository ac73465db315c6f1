// A close-up of drops, measured by the program as a user would: rendered pictures with known drops.
#include <cmath>
#include <filesystem>
#include <string>
#include <vector>

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>
#include <opencv2/core.hpp>
#include <opencv2/imgcodecs.hpp>
#include <render/drop_field.h>

#include "program.h"

using namespace conebook;
using conebook::tests::Folder;
using conebook::tests::Outcome;
namespace fs = std::filesystem;

namespace {

void WritePicture(const Folder& folder, int k, const cv::Mat1f& light) {
  cv::Mat1w code;
  light.convertTo(code, CV_16U, 65535.0);
  cv::imwrite((folder / "pictures" / cv::format("p%03d.png", k)).string(), code);
}

void WriteRig(const Folder& folder, const std::string& rig) {
  folder.Write("rig.toml", "# Invented, rendered.\n[element]\nid = \"R03\"\n[camera]\nfps = 500.0\n" + rig +
                               "[nozzle]\nexit_diameter_mm = 1.2\n");
}

// Sixteen bits, linear. The first pictures show no drop, as before a valve opens. Gives the true diameters,
// px.
std::vector<double> Write(const Folder& folder, const render::DropField& field, std::uint64_t seed,
                          int pictures, int empty, const std::string& rig) {
  std::vector<double> true_px;
  fs::create_directories(folder / "pictures");
  for (int k = 0; k < pictures; ++k) {
    std::vector<render::TrueDrop> drops;
    const cv::Mat1f light =
        k < empty ? render::RenderNoDrops(field, seed, k) : render::RenderDrops(field, seed, k, drops);
    WritePicture(folder, k, light);
    for (const render::TrueDrop& drop : drops) true_px.push_back(drop.diameter_px);
  }
  WriteRig(folder, rig);
  return true_px;
}

// Neighbouring pictures of one flight, after some that show no drop.
void WriteFlight(const Folder& folder, const render::DropFlight& flight, int pictures, std::uint64_t seed,
                 const std::string& rig) {
  constexpr int kEmpty = 4;
  render::DropField field;
  field.width_px = field.height_px = 300;
  field.drops = 22.0;
  field.median_px = 10.0;
  fs::create_directories(folder / "pictures");
  for (int k = 0; k < kEmpty; ++k) WritePicture(folder, k, render::RenderNoDrops(field, seed, k));
  const std::vector<cv::Mat1f> lights = render::RenderFlight(field, flight, seed, kEmpty, pictures);
  for (int k = 0; k < pictures; ++k) WritePicture(folder, kEmpty + k, lights[static_cast<std::size_t>(k)]);
  WriteRig(folder, rig);
}

render::DropField Field() {
  render::DropField field;
  field.width_px = field.height_px = 480;
  field.drops = 40.0;
  return field;
}

const std::string kDrops = "[spray]\nshows = \"drops\"\n";
const std::string kScale = "[scale]\npx_per_mm = 100.0\nu_px_per_mm = 0.5\n";

nlohmann::json Measured(const Folder& folder, int threads) {
  const Outcome outcome = folder.Run("--threads " + std::to_string(threads) +
                                     " measure pictures --rig rig.toml --json - --report page.html");
  INFO(outcome.err);
  REQUIRE(outcome.exit == 0);
  return nlohmann::json::parse(outcome.out);
}

}  // namespace

TEST_CASE("a close-up of drops gives D32 with what it rests on", "[process][drops]") {
  const Folder folder("drops");
  const std::vector<double> true_px = Write(folder, Field(), 31, 30, 4, kScale + kDrops);
  const nlohmann::json result = Measured(folder, 2);
  const nlohmann::json& point = result["points"][0];
  REQUIRE(point["d32_um"].is_object());
  const double cutoff_um = point["d32_um"]["cutoff_um"];
  double cubes = 0.0;
  double squares = 0.0;
  for (const double px : true_px) {
    const double um = 10.0 * px;  // at 100 px/mm
    if (um < cutoff_um) continue;
    cubes += um * um * um;
    squares += um * um;
  }
  const double d32 = point["d32_um"]["value"];
  const double u = point["d32_um"]["u"];
  // The same drops were rendered: what separates the two is the reading, and which drops were left out.
  CHECK(d32 == Approx(cubes / squares).epsilon(0.04));
  CHECK(u > 0.01 * d32);
  CHECK(u < 0.1 * d32);
  CHECK(point["d32_um"]["count"].get<int>() > 700);
  const nlohmann::json& drops = point["drops"];
  CHECK(drops["weighting"] == "spatial");
  CHECK(drops["verdict"] == "resolved");
  CHECK(drops["window_mm"][0].get<double>() == Approx(4.8));
  // 12 px median, ln sigma 0.4, all but untouched by the cut-off of five.
  REQUIRE(drops["log_normal"].is_object());
  CHECK(drops["log_normal"]["median_um"].get<double>() == Approx(120.0).epsilon(0.06));
  CHECK(drops["log_normal"]["sigma_ln"].get<double>() == Approx(0.4).epsilon(0.1));
  double volume = 0.0;
  for (const double share : drops["histogram"]["volume_share"]) volume += share;
  CHECK(volume == Approx(1.0));
  CHECK(point["half_angle_deg"].is_null());
  // Any number of threads: the same bytes.
  const std::string summary = folder.Run("measure pictures --rig rig.toml").out;
  CHECK(summary.find("D32") != std::string::npos);
  CHECK(summary.find("half angle") == std::string::npos);
  nlohmann::json alone = Measured(folder, 1);
  CHECK(alone["points"] == result["points"]);
  CHECK(folder.Read("page.html").find("Sauter mean") != std::string::npos);
}

TEST_CASE("without a scale, in front light or with drops too small there is no D32, and a reason",
          "[process][drops]") {
  const auto reason = [](const nlohmann::json& result) {
    CHECK(result["points"][0]["d32_um"].is_null());
    for (const auto& flag : result["flags"]) {
      if (flag["quantity"] == "d32_um") return flag["code"].get<std::string>();
    }
    return std::string("none");
  };
  const Folder plain("drops-no-scale");
  Write(plain, Field(), 32, 12, 2, kDrops);
  CHECK(reason(Measured(plain, 1)) == "no_scale");
  const Folder front("drops-front");
  Write(front, Field(), 33, 12, 2, kScale + kDrops + "illumination = \"frontlit\"\n");
  CHECK(reason(Measured(front, 1)) == "drops_need_back_light");
  render::DropField tiny = Field();
  tiny.median_px = 3.0;
  tiny.sigma_ln = 0.05;
  tiny.least_px = 1.0;
  const Folder small("drops-tiny");
  Write(small, tiny, 34, 12, 2, kScale + kDrops);
  CHECK(reason(Measured(small, 1)) == "drops_not_resolvable");
}

TEST_CASE("a single still of drops is enough for the light between them", "[process][drops]") {
  render::DropField field = Field();
  field.drops = 120.0;
  const Folder still("drops-still");
  Write(still, field, 35, 1, 0, kScale + kDrops);
  const nlohmann::json result = Measured(still, 1);
  REQUIRE(result["points"][0]["d32_um"].is_object());
  CHECK(result["points"][0]["drops"]["pictures"] == 1);
  CHECK(result["points"][0]["d32_um"]["count"].get<int>() > 60);
}

TEST_CASE("a clip in which drops can be followed gives their speed, with a u that holds",
          "[process][drops]") {
  const render::DropFlight flight{30.0, -8.0, 0.05};
  const Folder folder("drops-fly");
  WriteFlight(folder, flight, 40, 36, kScale + kDrops);
  const nlohmann::json result = Measured(folder, 2);
  const nlohmann::json& drops = result["points"][0]["drops"];
  REQUIRE(drops.contains("speed"));
  const nlohmann::json& speed = drops["speed"];
  // 100 px/mm, 500 pictures a second.
  const double m_s_per_px = 500.0 / 100.0 * 1e-3;
  const double truth = std::hypot(flight.along_px, flight.across_px) * m_s_per_px;
  const double u = speed["speed_m_s"]["u"];
  CHECK(std::abs(speed["speed_m_s"]["value"].get<double>() - truth) < 2.0 * u);
  // Scatter of 5 % among some 100 drops that pass, scale 0.5 %: a u of one per cent.
  CHECK(u > 0.005 * truth);
  CHECK(u < 0.02 * truth);
  CHECK(speed["direction_deg"].get<double>() == Approx(std::atan2(-8.0, 30.0) * 180.0 / CV_PI).margin(1.5));
  CHECK(speed["scatter_m_s"].get<double>() == Approx(0.05 * truth).epsilon(0.4));
  CHECK(speed["by_chance"].get<double>() < 0.15);
  // A drop is in view for eight pictures; sizes rest on those between which the drops have left it.
  CHECK(drops["pictures"].get<int>() <= 5);
  CHECK(drops["count"].get<int>() <= 22 * 6);
  CHECK(folder.Read("page.html").find("Speed of the drops") != std::string::npos);
}

TEST_CASE("a frame rate too low to follow drops gives sizes, no speed, and a reason", "[process][drops]") {
  // From picture to picture a drop goes two thirds of the window, and others are nearer to its place.
  const Folder folder("drops-fly-far");
  WriteFlight(folder, {200.0, 0.0, 0.1}, 16, 37, kScale + kDrops);
  const nlohmann::json result = Measured(folder, 2);
  const nlohmann::json& point = result["points"][0];
  REQUIRE(point["d32_um"].is_object());
  CHECK_FALSE(point["drops"].contains("speed"));
  std::string why;
  for (const auto& flag : result["flags"]) {
    if (flag["code"] == "drop_speed_not_read") why = flag["message"].get<std::string>();
  }
  CHECK(why.find("no way from frame to frame stands out") != std::string::npos);
}
