// Blow-downs, lamps, buckets against meters, control charts and circuits with sensors of their own, through
// the program. Stands, logs and footage are invented or drawn; the truth is what they were made with.
#include <cmath>

#include <catch2/catch.hpp>
#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include "program.h"
#include "result_flags.h"

using conebook::tests::FlagOf;
using conebook::tests::Folder;
using conebook::tests::Outcome;
using nlohmann::json;

namespace {

constexpr double kWater = 998.2065;

double FlowKgS(double area_mm2, double bar) {
  return area_mm2 * 1e-6 * std::sqrt(2.0 * kWater * 1e5 * std::max(0.0, bar));
}

// A lamp at the upper left, on between the given frames.
void DrawLamp(const Folder& folder, int frames, const std::vector<std::pair<int, int>>& on) {
  for (int k = 0; k < frames; ++k) {
    const std::string name = (folder / fmt::format("clip/f{:04d}.png", k)).string();
    cv::Mat picture = cv::imread(name, cv::IMREAD_GRAYSCALE);
    bool lit = false;
    for (const auto& [from, to] : on) lit = lit || (k >= from && k < to);
    cv::circle(picture, {40, 70}, 7, cv::Scalar(lit ? 250 : 60), cv::FILLED);
    cv::imwrite(name, picture);
  }
}

// 100 rows a second; the pressure rises at rise_s, the lamp is on as in the frames, 30 a second.
std::string LampLog(double offset_s, double rise_s, const std::vector<std::pair<int, int>>& on) {
  std::string text = "time_s,pressure_bar,flow_kg_s,lamp_v\n";
  for (int i = 0; i < 1200; ++i) {
    const double t = 0.01 * i;
    const double bar = t < rise_s || t > 11.5 ? 0.0 : 5.0 * (1.0 + 0.0005 * std::sin(1.7 * i));
    double volts = 0.1;
    for (const auto& [from, to] : on)
      // It switches some time before the first frame that shows it.
      if (t - offset_s >= (from - 0.3) / 30.0 && t - offset_s < (to - 0.6) / 30.0) volts = 4.9;
    text += fmt::format("{:.2f},{:.4f},{:.7f},{:.2f}\n", t, bar, FlowKgS(0.8, bar), volts);
  }
  return text;
}

const std::string kFilmed =
    "[element]\nid = \"A07\"\n[nozzle]\nexit_diameter_mm = 2.0\nexit_px = [160.0, 30.0]\n[camera]\nfps = "
    "30.0\n"
    "[scale]\npx_per_mm = 8.0\n[stand]\ntemperature_c = 20.0\nrated_bar = 16.0\n";

}  // namespace

TEST_CASE("a lamp in view ties clip and log where the pressure's rise would not", "[process][stand_day]") {
  const Folder folder("lamp");
  const std::vector<std::pair<int, int>> on{{12, 25}, {38, 50}};
  conebook::tests::DrawFrames(folder / "clip", {});
  DrawLamp(folder, 60, on);
  // The line fills for half a second: the spray comes that much after the pressure.
  const double offset_s = 7.313;
  folder.Write("log.csv", LampLog(offset_s, offset_s + 8.0 / 30.0 - 0.5, on));
  folder.Write("rig.toml", kFilmed + "[sync]\nlamp_column = \"lamp_v\"\n");
  const std::string measure = "measure clip --rig rig.toml --log log.csv --json out.json";
  const Outcome outcome = folder.Run(measure + " --report out.html --archive book.db --date 2031-05-04");
  INFO(outcome.out << outcome.err);
  REQUIRE(outcome.exit == 0);
  const json result = json::parse(folder.Read("out.json"));
  CHECK(result["sync"]["method"] == "lamp");
  const double value = result["sync"]["log_minus_video_s"]["value"],
               u = result["sync"]["log_minus_video_s"]["u"];
  CHECK(std::abs(value - offset_s) <= 2.0 * u);
  // Four steps, each within half an interval of both clocks.
  CHECK(u < 0.012);
  CHECK(result["sync"]["seen"]["what"] == "lamp");
  CHECK(result["sync"]["seen"]["column"] == "lamp_v");
  CHECK(FlagOf(result, "sync_by_lamp")["message"].get<std::string>().find("[40, 70] px: 4 steps") !=
        std::string::npos);
  CHECK(FlagOf(result, "log_columns_ignored").is_null());
  CHECK(folder.Read("out.html").find("How log and footage are tied: the lamp") != std::string::npos);
  // The record keeps what the picture shows.
  REQUIRE(folder.Run("report --archive book.db --element A07 --report page.html").exit == 0);
  CHECK(folder.Read("page.html").find("How log and footage are tied: the lamp") != std::string::npos);
  CHECK(folder.Run("verify --archive book.db --footage . --remeasure").exit == 0);

  folder.Write("rig.toml", kFilmed);
  REQUIRE(folder.Run(measure).exit == 0);
  const json by_rise = json::parse(folder.Read("out.json"));
  CHECK(by_rise["sync"]["method"] == "onset");
  CHECK(by_rise["sync"]["log_minus_video_s"]["value"].get<double>() == Approx(offset_s - 0.5).margin(0.06));
  CHECK(by_rise["sync"]["seen"]["what"] == "spray");

  // No lamp in view: said, and the rise serves. No such column: one line.
  conebook::tests::DrawFrames(folder / "clip", {});
  folder.Write("rig.toml", kFilmed + "[sync]\nlamp_column = \"lamp_v\"\n");
  REQUIRE(folder.Run(measure).exit == 0);
  const json without = json::parse(folder.Read("out.json"));
  CHECK(FlagOf(without, "lamp_not_found")["severity"] == "warn");
  CHECK(without["sync"]["method"] == "onset");
  folder.Write("rig.toml", kFilmed + "[sync]\nlamp_column = \"lamp\"\n");
  const Outcome wrong = folder.Run(measure);
  CHECK(wrong.exit == 2);
  CHECK(wrong.ErrorLines() == 1);
  CHECK(wrong.err.find("the nearest is lamp_v") != std::string::npos);
}

TEST_CASE("a blow-down gives a point a bin, on record and measured again alike", "[process][stand_day]") {
  const Folder folder("sweep");
  std::string text = "time_s,pressure_bar,flow_kg_s\n";
  double shown = 0.0;
  for (int i = 0; i < 1200; ++i) {
    const double t = 0.05 * i, bar = t < 2.0 || t > 55.0 ? 0.0 : 8.0 * std::exp(-(t - 2.0) / 80.0);
    shown += (FlowKgS(0.8, bar) - shown) * (1.0 - std::exp(-0.05 / 0.1));
    text += fmt::format("{:.2f},{:.5f},{:.8f}\n", t, bar * (1.0 + 0.0003 * std::sin(1.9 * i)),
                        shown * (1.0 + 0.0005 * std::cos(2.3 * i)));
  }
  folder.Write("log.csv", text);
  folder.Write("rig.toml", conebook::tests::kRig + "[meter]\nlag_s = 0.1\n");
  const Outcome outcome = folder.Run(
      "measure --log log.csv --rig rig.toml --sweep --json out.json --report out.html --archive book.db "
      "--date "
      "2031-05-04");
  INFO(outcome.out << outcome.err);
  REQUIRE(outcome.exit == 0);
  const json result = json::parse(folder.Read("out.json"));
  // From 8 bar to 4.1: six bins of 10 % and what is left.
  CHECK(result["points"].size() >= 6);
  for (const json& point : result["points"]) {
    CHECK(point["flow_area_mm2"]["value"].get<double>() == Approx(0.8).epsilon(1e-3));
    CHECK(point["direction"] == "falling");
    bool lag = false;
    for (const json& part : point["flow_kg_s"]["budget"]) lag = lag || part["source"] == "lag of the meter";
    CHECK(lag);
  }
  CHECK(FlagOf(result, "sweep")["severity"] == "info");
  CHECK(FlagOf(result, "unsteady").is_null());
  CHECK(FlagOf(result, "hysteresis_needs_both").is_null());
  CHECK(result["settings"]["sweep"] == true);
  const Outcome verify = folder.Run("verify --archive book.db --remeasure");
  INFO(verify.out << verify.err);
  CHECK(verify.exit == 0);
  folder.Write("DAY.toml",
               "[day]\nname = \"blow-down\"\nrig = \"rig.toml\"\n[[clip]]\nelement = \"A07\"\nlog = "
               "\"log.csv\"\nsweep = true\n");
  REQUIRE(folder.Run("measure --sheet DAY.toml --json results").exit == 0);
  CHECK(json::parse(folder.Read("results/A07.json"))["points"].size() == result["points"].size());
  // Ten times as fast: refused, with the reason.
  folder.Write("rig.toml", conebook::tests::kRig + "[meter]\nlag_s = 1.0\n");
  CHECK(folder.Run("measure --log log.csv --rig rig.toml --sweep --json fast.json").exit == 3);
  const json fast = json::parse(folder.Read("fast.json"));
  CHECK(fast["verdict"] == "rejected");
  CHECK_FALSE(FlagOf(fast, "sweep_too_fast").is_null());
  const Outcome bare = folder.Run("measure clip.mp4 --rig rig.toml --sweep");
  CHECK(bare.exit == 2);
  CHECK(bare.ErrorLines() == 1);
}

TEST_CASE("a day holds its meter against a bucket, and its check element against the record",
          "[process][stand_day]") {
  const Folder folder("day");
  folder.Write("rig.toml", conebook::tests::kRig + "[meter]\nu_percent = 0.4\n");
  const auto log_of = [&](const std::string& name, double factor) {
    std::string text = "time_s,pressure_bar,flow_kg_s\n";
    for (int i = 0; i < 300; ++i) {
      const double t = 0.02 * i, bar = t < 1.0 || t > 5.0 ? 0.0 : 5.0;
      text += fmt::format("{:.2f},{:.5f},{:.8f}\n", t, bar * (1.0 + 0.0005 * std::sin(1.7 * i)),
                          factor * FlowKgS(0.8, bar) * (1.0 + 0.0005 * std::cos(2.9 * i)));
    }
    folder.Write(name, text);
  };
  // As a scale shows it: 0.105 % light, ISO 4185's buoyancy.
  const double caught_kg = 120.0 * FlowKgS(0.8, 5.0) / 1.00105;
  const auto day_of = [&](int day, double mass_kg) {
    return fmt::format(
        "[day]\nname = \"day {0}\"\nrig = \"rig.toml\"\ndate = \"2031-05-{0:02d}\"\n"
        "[[clip]]\nelement = \"C1\"\nrole = \"check\"\nlog = \"first_{0}.csv\"\n"
        "[[clip]]\nelement = \"A07\"\nbucket = {{time_s = 120.0, mass_kg = {1:.5f}, pressure_bar = 5.0, "
        "u_time_s = "
        "0.2, u_mass_kg = 0.004}}\n"
        "[[clip]]\nelement = \"A07\"\nlog = \"a07.csv\"\n"
        "[[clip]]\nelement = \"C1\"\nrole = \"check\"\nlog = \"last_{0}.csv\"\n",
        day, mass_kg);
  };
  log_of("a07.csv", 1.0);
  constexpr double kWander[] = {0.0,    0.0011, -0.0007, 0.0004, -0.0012,
                                0.0008, 0.0002, -0.0005, 0.0006, -0.0003};
  for (int day = 1; day <= 5; ++day) {
    log_of(fmt::format("first_{}.csv", day), 1.0 + kWander[2 * day - 2]);
    log_of(fmt::format("last_{}.csv", day), 1.0 + kWander[2 * day - 1]);
    folder.Write("DAY.toml", day_of(day, caught_kg));
    const Outcome outcome =
        folder.Run("measure --sheet DAY.toml --json results --report day.html --archive book.db");
    INFO(outcome.out << outcome.err);
    REQUIRE(outcome.exit == 0);
  }
  const json day = json::parse(folder.Read("results/day.json"));
  REQUIRE(day["checks"].size() == 1);
  CHECK(day["checks"][0]["earlier_mm2"].size() == 8);
  CHECK(day["checks"][0]["limits_mm2"].is_array());
  REQUIRE(day["meter_checks"].size() == 1);
  const json& check = day["meter_checks"][0];
  CHECK(check["element"] == "A07");
  CHECK(std::abs(check["difference_percent"]["value"].get<double>()) < 0.1);
  CHECK(std::abs(check["e_n"].get<double>()) < 0.2);
  CHECK(check["flags"].empty());
  const std::string page = folder.Read("day.html");
  for (const char* words :
       {"Control chart of check element C1", "Bucket against meter", "E_n", "individuals chart"}) {
    INFO(words);
    CHECK(page.find(words) != std::string::npos);
  }
  REQUIRE(folder.Run("report --archive book.db --element C1 --report c1.html").exit == 0);
  CHECK(folder.Read("c1.html").find("Control chart of check element C1") != std::string::npos);
  // 3 % too little in the bucket.
  folder.Write("DAY.toml", day_of(5, 0.97 * caught_kg));
  const Outcome off = folder.Run("measure --sheet DAY.toml --json results");
  CHECK(off.out.find("beyond 1") != std::string::npos);
  const json flagged = json::parse(folder.Read("results/day.json"));
  CHECK(flagged["meter_checks"][0]["e_n"].get<double>() > 1.0);
  CHECK(flagged["meter_checks"][0]["flags"][0]["code"] == "meter_off_bucket");
}

TEST_CASE("a sheet takes one gauge reading a clip, says in which order and mounting, and counts",
          "[process][stand_day]") {
  const Folder folder("gauge");
  folder.Write("rig.toml", conebook::tests::kRig);
  folder.Write(
      "DAY.toml",
      "[day]\nname = \"gauge\"\nrig = \"rig.toml\"\n"
      "[[clip]]\nelement = \"A07\"\nmount = 1\nreadings = [{pressure_bar = 4.0, flow_kg_s = 0.0223}]\n"
      "[[clip]]\nelement = \"A08\"\nreadings = [{pressure_bar = 2.0, flow_kg_s = 0.0157}, {pressure_bar = "
      "4.0, flow_kg_s = 0.0223}]\n"
      "[[clip]]\nelement = \"A07\"\nmount = 2\nlog = \"none.csv\"\n"
      "[[clip]]\nelement = \"A07\"\nmount = 0\nlog = \"none.csv\"\n");
  const Outcome outcome = folder.Run("measure --sheet DAY.toml --json results");
  INFO(outcome.out << outcome.err);
  CHECK(outcome.exit == 2);
  CHECK(outcome.out.find("2 measured") != std::string::npos);
  CHECK(outcome.out.find("2 not measured: bad input") != std::string::npos);
  CHECK(outcome.err.find("mount: expected a whole number") != std::string::npos);
  const json day = json::parse(folder.Read("results/day.json"));
  CHECK(day["clips"][0]["mount"] == 1);
  CHECK(day["clips"][1]["mount"].is_null());
  CHECK(day["clips"][2]["mount"] == 2);
  CHECK(day["clips"][2]["order"] == 3);
  const json one = json::parse(folder.Read("results/A07.json"));
  REQUIRE(one["points"].size() == 1);
  CHECK(one["points"][0]["flow_area_mm2"]["value"].get<double>() ==
        Approx(0.0223 / (std::sqrt(2.0 * kWater * 4e5) * 1e-6)).epsilon(1e-3));
  CHECK(one["settings"]["rig"]["element"]["mount"] == 1);
  CHECK(json::parse(folder.Read("results/A08.json"))["points"].size() == 2);
}

TEST_CASE(
    "each circuit has its own meter calibration, zero, direction, hysteresis, nominal points and theory",
    "[process][stand_day]") {
  const Folder folder("circuits");
  constexpr double kK = 20200.0;  // pulses a litre of the core's meter; the ring's flow is logged as it is
  std::string bucket = "mass_kg,time_s,pulses\n";
  for (const double litres_s : {0.01, 0.015, 0.02, 0.025, 0.03}) {
    for (int i = 0; i < 3; ++i)
      bucket += fmt::format("{:.5f},{:.1f},{:.0f}\n", litres_s * 100.0 * kWater * 1e-3 / 1.00105, 100.0,
                            litres_s * 100.0 * kK);
  }
  folder.Write("bucket.csv", bucket);
  const Outcome calibrated = folder.Run(
      "calibrate meter bucket.csv --out core_meter.toml --date 2031-05-01 --u-scale-percent "
      "0.05");
  INFO(calibrated.out << calibrated.err);
  REQUIRE(calibrated.exit == 0);
  // Up and down again, core and ring together; the ring sheds 2 % of its flow on the way down.
  constexpr double kBar[] = {2.0, 4.0, 6.0, 4.0, 2.0};
  std::string text = "time_s,core_bar,core_pulse_hz,ring_bar,ring_kg_s\n";
  double pulses = 0.0;
  for (int i = 0; i < 1400; ++i) {
    const double t = 0.01 * i;
    const int step = t < 1.0 || t >= 13.5 ? -1 : static_cast<int>((t - 1.0) / 2.5);
    const double bar = step < 0 ? 0.0 : kBar[step] * (1.0 + 0.0005 * std::sin(1.7 * i));
    const double before = std::floor(pulses);
    pulses += FlowKgS(0.8, bar) / kWater * 1e3 * kK * 0.01;
    text += fmt::format("{:.2f},{:.5f},{:.1f},{:.5f},{:.8f}\n", t, bar, (std::floor(pulses) - before) / 0.01,
                        bar + 0.03, FlowKgS(1.5, bar) * (step > 2 ? 0.98 : 1.0));
  }
  folder.Write("log.csv", text);
  folder.Write("rig.toml",
               "[element]\nid = \"C1\"\n[nozzle]\nexit_diameter_mm = 2.0\n[stand]\ntemperature_c = 20.0\n"
               "rated_bar = 16.0\n"
               "[[circuit]]\nname = \"core\"\npressure = \"core_bar\"\nflow = \"core_pulse_hz\"\n"
               "meter_calibration = \"core_meter.toml\"\nexit_diameter_mm = 1.6\ninlet_count = 3\n"
               "inlet_diameter_mm = 0.7\nchamber_diameter_mm = 4.0\nnominal_bar = [2.0, 4.0, 6.0]\n"
               "[[circuit]]\nname = \"ring\"\npressure = \"ring_bar\"\nflow = \"ring_kg_s\"\n");
  const Outcome outcome = folder.Run(
      "measure --log log.csv --rig rig.toml --json out.json --report out.html --archive book.db --date "
      "2031-05-04");
  INFO(outcome.out << outcome.err);
  REQUIRE(outcome.exit == 0);
  const json result = json::parse(folder.Read("out.json"));
  REQUIRE(result["points"].size() == 5);
  REQUIRE(result["inputs"]["calibrations"].size() == 1);
  CHECK(result["inputs"]["calibrations"][0]["path"] == "core_meter.toml");
  CHECK(FlagOf(result, "zero_from_rest")["message"].get<std::string>().find("circuit ") == 0);
  for (std::size_t k = 0; k < 5; ++k) {
    CAPTURE(k);
    const json& core = result["points"][k]["circuits"][0];
    const json& ring = result["points"][k]["circuits"][1];
    // K of the calibration, not 20000; and the ring's zero of 0.03 bar out of its pressure.
    CHECK(core["flow_area_mm2"]["value"].get<double>() == Approx(0.8).epsilon(2e-3));
    CHECK(ring["pressure_bar"]["value"].get<double>() == Approx(kBar[k]).epsilon(2e-3));
    CHECK(core["direction"] == (k == 0 || k < 3 ? "rising" : "falling"));
    CHECK(core["nominal_bar"].get<double>() == kBar[k]);
    CHECK_FALSE(ring.contains("nominal_bar"));
    CHECK(core["theory"].size() >= 3);
    CHECK_FALSE(ring.contains("theory"));
  }
  CHECK(result["circuits"][0]["nominal_bar"] == json::array({2.0, 4.0, 6.0}));
  // Steps of a counter: some 1 in 500 a second.
  CHECK(std::abs(result["circuits"][0]["flow_hysteresis"]["flow_area_percent"]["value"].get<double>()) < 0.3);
  CHECK(result["circuits"][1]["flow_hysteresis"]["flow_area_percent"]["value"].get<double>() ==
        Approx(-2.0).margin(0.1));
  CHECK(FlagOf(result, "flow_hysteresis")["message"].get<std::string>().find("circuit ring: ") == 0);
  CHECK(folder.Read("out.html").find("Calibration<") != std::string::npos);
  // The archive keeps the circuit's file, and measures again from it.
  std::filesystem::remove(folder / "core_meter.toml");
  const Outcome verify = folder.Run("verify --archive book.db --remeasure");
  INFO(verify.out << verify.err);
  CHECK(verify.exit == 0);
  // The rig's own would have to serve both.
  folder.Write("rig.toml",
               conebook::tests::kRig +
                   "[meter]\ncalibration = \"core_meter.toml\"\n[[circuit]]\nname = \"a\"\nflow = "
                   "\"core_pulse_hz\"\n[[circuit]]\nname = \"b\"\nflow = \"ring_kg_s\"\n");
  const Outcome refused = folder.Run("measure --log log.csv --rig rig.toml");
  CHECK(refused.exit == 2);
  CHECK(refused.ErrorLines() == 1);
  CHECK(refused.err.find("meter_calibration") != std::string::npos);
}
