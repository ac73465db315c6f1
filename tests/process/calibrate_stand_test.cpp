// `conebook calibrate meter|pressure|line` on invented readings of known truth, and what their files do to a
// measurement. Truth in closed form: square-root law of element and line (any hydraulics handbook, from
// memory).
#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include "program.h"
#include "result_flags.h"

using namespace conebook::tests;
using Catch::Matchers::Contains;
using nlohmann::json;

namespace {

constexpr double kDensity = 998.2071;  // water at 20 C, IAPWS SR6-08
constexpr double kAreaM2 = 0.8e-6;
constexpr double kLine = 5e10;  // takes some 6 % of what the element takes

const std::string kTankRig =
    "[element]\nid = \"A07\"\n[nozzle]\nexit_diameter_mm = 2.0\n[stand]\nliquid = \"water\"\ntemperature_c = "
    "20.0\nu_temperature_c = 0.5\nrated_bar = 16.0\npressure_tap = \"tank\"\n";

double K(double hz) {
  return 20000.0 + (hz - 300.0);
}

std::string BucketText() {
  std::ostringstream text;
  text.precision(8);
  text << "mass_kg,time_s,pulses\n";
  std::mt19937 random(8);
  std::normal_distribution<double> noise(0.0, 1.0);
  for (const double hz : {100.0, 250.0, 400.0, 550.0, 700.0}) {
    for (int i = 0; i < 3; ++i) {
      const double seconds = 600.0, pulses = hz * seconds;
      // The scale reads light by the air that the water pushes aside: 0.105 %.
      const double kg = pulses / K(hz) * kDensity / 1000.0 / 1.00105;
      text << kg + 0.0005 * noise(random) << "," << seconds + 0.2 * noise(random) << "," << pulses << "\n";
    }
  }
  return text.str();
}

std::string ReadingsText() {
  std::ostringstream text;
  text << "true_bar,read_bar\n";
  std::mt19937 random(9);
  std::normal_distribution<double> noise(0.0, 0.002);
  for (const double bar : {0.0, 2.0, 4.0, 6.0, 8.0, 10.0, 8.0, 6.0, 4.0, 2.0, 0.0})
    text << bar << "," << 0.02 + 1.01 * bar + noise(random) << "\n";
  return text.str();
}

// A tank at these pressures, each for 3 s; the meter's pulses as a rate, the sensor 20 mbar and 1 % high.
std::string Log(const std::vector<double>& levels_bar, bool element) {
  std::ostringstream text;
  text.precision(9);
  text << "time_s,pressure_bar,pulse_hz\n";
  std::mt19937 random(10);
  std::normal_distribution<double> noise(0.0, 0.003);
  int row = 0;
  const auto hold = [&](double bar, double seconds) {
    const double resistance = kLine + (element ? 1.0 / (2.0 * kAreaM2 * kAreaM2) : 0.0);
    const double litres_s = 1e3 * std::sqrt(1e5 * bar / (kDensity * resistance));
    double hz = 20000.0 * litres_s;
    for (int i = 0; i < 50; ++i) hz = K(hz) * litres_s;
    for (int i = 0; i < seconds * 50.0; ++i, ++row)
      text << 0.02 * row << "," << 0.02 + 1.01 * bar + noise(random) << "," << hz << "\n";
  };
  hold(0.0, 1.0);
  for (const double bar : levels_bar) hold(bar, 3.0);
  hold(0.0, 1.0);
  return text.str();
}

json Calibrated(const Folder& folder, const std::string& command) {
  const Outcome outcome = folder.Run("calibrate " + command + " --json");
  INFO(command << "\n" << outcome.err);
  REQUIRE(outcome.exit == 0);
  return json::parse(outcome.out);
}

json Measured(const Folder& folder, const std::string& rig) {
  folder.Write("rig.toml", rig);
  const Outcome outcome = folder.Run("measure --log element.csv --rig rig.toml --json -");
  INFO(outcome.err);
  REQUIRE(outcome.exit == 0);
  return json::parse(outcome.out);
}

}  // namespace

TEST_CASE(
    "meter, sensor and line are calibrated, and a tank-tapped log then gives the element's true flow area",
    "[process][calibrate_stand]") {
  const Folder folder("stand");
  folder.Write("bucket.csv", BucketText());
  folder.Write("readings.csv", ReadingsText());
  folder.Write("blank.csv", Log({0.2, 0.3, 0.42, 0.58}, false));
  folder.Write("element.csv", Log({2.0, 4.0, 6.0, 9.0}, true));

  const json meter =
      Calibrated(folder, "meter bucket.csv --temperature-c 20 --u-scale-percent 0.05 --out meter.toml");
  CHECK(meter["at"][1]["value"].get<double>() == Approx(K(400.0)).epsilon(5e-4));
  CHECK(meter["at"][0]["value"].get<double>() == Approx(K(100.0)).epsilon(1e-3));
  CHECK(meter["linearity_percent"].get<double>() == Approx(1.5).margin(0.1));
  CHECK(meter["curve"] == "line");
  const json sensor =
      Calibrated(folder, "pressure readings.csv --u-reference-percent 0.05 --out pressure.toml");
  CHECK(sensor["zero_bar"]["value"].get<double>() == Approx(0.02).margin(0.004));
  CHECK(sensor["span"]["value"].get<double>() == Approx(1.01).margin(0.001));
  const std::string sensors =
      "[meter]\ncalibration = \"meter.toml\"\n[pressure]\ncalibration = \"pressure.toml\"\n";
  folder.Write("blank_rig.toml", kTankRig + sensors);
  const json line = Calibrated(folder, "line blank.csv --rig blank_rig.toml --out line.toml");
  CHECK(line["k_per_m4"]["value"].get<double>() == Approx(kLine).epsilon(0.01));
  CHECK(line["k_per_m4"]["lo95"].get<double>() < kLine);
  CHECK(line["k_per_m4"]["hi95"].get<double>() > kLine);
  CHECK(line["exponent"]["value"].get<double>() == Approx(2.0).margin(0.03));
  CHECK(line["warnings"].empty());
  folder.Write("fast.csv", Log({0.4, 0.8, 1.5}, false));
  CHECK_THAT(Calibrated(folder, "line fast.csv --rig blank_rig.toml")["warnings"].dump(),
             Contains("outside the rates that the meter was calibrated at"));

  const json known = Measured(folder, kTankRig + "line_loss = \"line.toml\"\n" + sensors);
  const json& area = known["flow_law"]["flow_area_mm2"];
  CHECK(area["value"].get<double>() == Approx(0.8).epsilon(0.003));
  CHECK(area["lo95"].get<double>() < 0.8);
  CHECK(area["hi95"].get<double>() > 0.8);
  CHECK_FALSE(HasFlag(known, "line_loss_unknown"));
  CHECK(known["inputs"]["calibrations"].size() == 3);
  const json unknown = Measured(folder, kTankRig + sensors);
  CHECK(HasFlag(unknown, "line_loss_unknown"));
  CHECK(unknown["flow_law"]["flow_area_mm2"]["value"].get<double>() ==
        Approx(0.8 * std::sqrt(1.0 / 1.064)).epsilon(0.003));
  CHECK(unknown["flow_law"]["flow_area_mm2"]["hi95"].get<double>() > 0.8);
}

TEST_CASE("the archive keeps the stand's calibrations and measures again from them",
          "[process][calibrate_stand]") {
  const Folder folder("stand_archive");
  folder.Write("readings.csv", ReadingsText());
  folder.Write("element.csv", Log({2.0, 4.0, 6.0, 9.0}, true));
  Calibrated(folder, "pressure readings.csv --expires 2030-01-01 --out pressure.toml");
  folder.Write("line.toml", "[line]\nk_per_m4 = 5e10\nu_k_per_m4 = 5e8\ndof = 3\n");
  folder.Write("rig.toml", kTankRig +
                               "line_loss = \"line.toml\"\n[meter]\nk_factor_per_l = 20000\n[pressure]\n" +
                               "calibration = \"pressure.toml\"\n");
  const Outcome kept = folder.Run("measure --log element.csv --rig rig.toml --archive book.db");
  INFO(kept.out << kept.err);
  REQUIRE(kept.exit == 0);
  fs::remove(folder / "pressure.toml");
  fs::remove(folder / "line.toml");
  const Outcome again = folder.Run("verify --archive book.db --remeasure");
  INFO(again.out << again.err);
  CHECK(again.exit == 0);
}

TEST_CASE("readings that carry no calibration are refused with file, line and what to do",
          "[process][calibrate_stand]") {
  const Folder folder("stand_bad");
  folder.Write("rig.toml", kTankRig + "[meter]\nk_factor_per_l = 20000\n");
  const auto refusal = [&](const std::string& text, const std::string& command) {
    folder.Write("in.csv", text);
    const Outcome outcome = folder.Run("calibrate " + command + " --out out.toml");
    INFO(command << "\n" << outcome.err);
    CHECK(outcome.exit == 2);
    CHECK(outcome.ErrorLines() <= 6);
    CHECK_FALSE(folder.Has("out.toml"));
    return outcome.err;
  };
  CHECK_THAT(refusal("mass_kg,time_s\n1,60\n", "meter in.csv"),
             Contains("in.csv, line 1") && Contains("pulses"));
  CHECK_THAT(refusal("time_s,pulses\n60,9000\n", "meter in.csv"), Contains("mass_kg") && Contains("missing"));
  CHECK_THAT(refusal("mass_kg,time_s,pulses\n1,60,20000\n-1,60,20000\n", "meter in.csv"),
             Contains("line 3") && Contains("above 0"));
  CHECK_THAT(refusal("mass_kg,time_s,pulses\n1,60,20000\n", "meter in.csv"), Contains("two or more"));
  CHECK_THAT(refusal("mass_kg,time_s,pulses,flow_lpm\n1,60,20000,1\n", "meter in.csv"), Contains("keep one"));
  CHECK_THAT(refusal("mass_kg,time_s,pulses\n1,60,20000\n1,60,20010\n", "meter in.csv --curve curve"),
             Contains("do not carry a curve"));
  CHECK_THAT(refusal("true_bar,read_bar\n0,0.02\n5,5.02\n", "pressure in.csv"), Contains("three or more"));
  CHECK_THAT(refusal("true_bar,read_bar,u_true_bar\n0,0.02,0.1\n", "pressure in.csv"),
             Contains("u_read_bar"));
  CHECK_THAT(refusal("time_s,pressure_bar\n0,1\n1,1\n2,1\n3,1\n", "line in.csv --rig rig.toml"),
             Contains("no flow"));
  CHECK_THAT(refusal(Log({0.4}, false), "line in.csv --rig rig.toml"), Contains("element removed"));
  CHECK_THAT(refusal("x\n1\n", "line in.csv"), Contains("--rig"));
  CHECK(folder.Run("calibrate meter --help").out.find("Examples") != std::string::npos);
}
