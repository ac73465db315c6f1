// Elements with two circuits: points, flow and Cd of each, which flowed, and whose the spray is. Stand and
// log are invented; the truth is what the log was made with.
#include <algorithm>
#include <cmath>

#include <catch2/catch.hpp>
#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include "program.h"
#include "result_flags.h"

using conebook::tests::Folder;
using conebook::tests::HasFlag;
using conebook::tests::Outcome;
using nlohmann::json;

namespace {

struct Step {
  double core_bar, ring_bar;
};
// Two seconds each: core alone, both, ring alone, ring higher, both higher.
constexpr Step kSteps[] = {{5.0, 0.0}, {5.0, 3.0}, {0.0, 3.0}, {0.0, 6.0}, {8.0, 6.0}};
constexpr double kCoreMm2 = 0.8, kRingMm2 = 1.5, kWater = 998.2065, kEthanol = 789.0;

double FlowKgS(double area_mm2, double density, double bar) {
  return area_mm2 * 1e-6 * std::sqrt(2.0 * density * 1e5 * bar);
}

std::string TwoCircuitLog() {
  std::string text = "time_s,core_bar,core_lpm,ring_bar,ring_g_s\n";
  for (int i = 0; i < 1200; ++i) {
    const int step = i / 100 < 1 || i / 100 >= 11 ? -1 : (i - 100) / 200;
    const Step at = step < 0 ? Step{0.0, 0.0} : kSteps[step];
    const double wobble = 1.0 + 0.0008 * std::sin(2.9 * i), other = 1.0 + 0.0008 * std::cos(5.3 * i);
    text += fmt::format("{:.2f},{:.5f},{:.6f},{:.5f},{:.6f}\n", 0.01 * i, at.core_bar * wobble,
                        FlowKgS(kCoreMm2, kWater, at.core_bar) / kWater * 60e3 * other, at.ring_bar * other,
                        FlowKgS(kRingMm2, kEthanol, at.ring_bar) * 1e3 * wobble);
  }
  return text;
}

const std::string kTwo =
    "[element]\nid = \"C1\"\n[nozzle]\nexit_diameter_mm = 2.0\nexit_px = [160.0, 30.0]\n"
    "[scale]\npx_per_mm = 8.0\n[stand]\ntemperature_c = 20.0\nrated_bar = 16.0\n"
    "[[circuit]]\nname = \"core\"\npressure = \"core_bar\"\nflow = \"core_lpm\"\nliquid = \"water\"\n"
    "reference_area_mm2 = 3.2\narea_kind = \"user\"\nmeter_u_percent = 0.5\n"
    "[[circuit]]\nname = \"ring\"\npressure = \"ring_bar\"\nflow = \"ring_g_s\"\nliquid = \"ethanol\"\n"
    "reference_area_mm2 = 5.0\narea_kind = \"user\"\n";

}  // namespace

TEST_CASE("two circuits: points of every state, flow and Cd of each", "[process][circuits]") {
  const Folder folder("circuits");
  folder.Write("log.csv", TwoCircuitLog());
  folder.Write("rig.toml", kTwo);
  const Outcome outcome = folder.Run(
      "measure --log log.csv --rig rig.toml --json out.json --report out.html --archive book.db --date "
      "2031-05-04");
  INFO(outcome.out << outcome.err);
  REQUIRE(outcome.exit == 0);
  const json result = json::parse(folder.Read("out.json"));
  REQUIRE(result["points"].size() == 5);
  for (std::size_t k = 0; k < 5; ++k) {
    CAPTURE(k);
    const json& core = result["points"][k]["circuits"][0];
    const json& ring = result["points"][k]["circuits"][1];
    CHECK(core["name"] == "core");
    CHECK(ring["name"] == "ring");
    CHECK(core["flowing"] == (kSteps[k].core_bar > 0.0));
    CHECK(ring["flowing"] == (kSteps[k].ring_bar > 0.0));
    if (core["flowing"].get<bool>()) {
      CHECK(core["pressure_bar"]["value"].get<double>() == Approx(kSteps[k].core_bar).epsilon(1e-3));
      CHECK(core["flow_area_mm2"]["value"].get<double>() == Approx(kCoreMm2).epsilon(1e-3));
      CHECK(core["cd"]["value"].get<double>() == Approx(kCoreMm2 / 3.2).epsilon(1e-3));
    } else {
      CHECK(core["pressure_bar"].is_null());
    }
    if (ring["flowing"].get<bool>()) {
      CHECK(ring["flow_area_mm2"]["value"].get<double>() == Approx(kRingMm2).epsilon(1e-3));
      CHECK(ring["cd"]["value"].get<double>() == Approx(kRingMm2 / 5.0).epsilon(1e-3));
    }
  }
  // Both on: the total flow, and no one pressure drop; the reason is said.
  const json& both = result["points"][1];
  CHECK(both["flow_kg_s"]["value"].get<double>() ==
        Approx(FlowKgS(kCoreMm2, kWater, 5.0) + FlowKgS(kRingMm2, kEthanol, 3.0)).epsilon(1e-3));
  CHECK(both["pressure_bar"].is_null());
  CHECK(both["cd"].is_null());
  CHECK(HasFlag(result, "several_circuits"));
  // One on: its values are the point's.
  CHECK(result["points"][0]["flow_area_mm2"] == result["points"][0]["circuits"][0]["flow_area_mm2"]);
  CHECK(result["points"][3]["cd"] == result["points"][3]["circuits"][1]["cd"]);
  REQUIRE(result["circuits"].size() == 2);
  CHECK(result["flow_law"].is_null());
  CHECK(result["circuits"][0]["flow_law"]["flow_area_mm2"]["value"].get<double>() ==
        Approx(kCoreMm2).epsilon(1e-3));
  CHECK(result["circuits"][1]["flow_law"]["cd"]["value"].get<double>() ==
        Approx(kRingMm2 / 5.0).epsilon(1e-3));
  CHECK(result["circuits"][1]["flow_law"]["exponent"]["value"].get<double>() == Approx(0.5).margin(0.005));

  CHECK(outcome.out.find("core + ring") != std::string::npos);
  const std::string page = folder.Read("out.html");
  for (const char* words : {"<h2>Circuits</h2>", "Circuit core", "core + ring", "Mass flow, circuit ring"}) {
    INFO(words);
    CHECK(page.find(words) != std::string::npos);
  }
  REQUIRE(folder.Run("export --archive book.db --bundle out").exit == 0);
  const std::string table = folder.Read("out/circuits.csv");
  CHECK(table.find("circuit,flowing,pressure_bar") != std::string::npos);
  // Five points of two circuits, and the header.
  CHECK(std::count(table.begin(), table.end(), '\n') == 11);
  const Outcome verify = folder.Run("verify --archive book.db --remeasure");
  INFO(verify.out << verify.err);
  CHECK(verify.exit == 0);
  // The page of the record is the page of the run: charts of the circuits too.
  REQUIRE(folder.Run("report --archive book.db --element C1 --report c1.html").exit == 0);
  CHECK(folder.Read("c1.html").find("<h2>Circuits</h2>") != std::string::npos);
}

TEST_CASE("the spray belongs to the circuits that flowed while it was filmed", "[process][circuits]") {
  const Folder folder("circuits_clip");
  folder.Write("log.csv", TwoCircuitLog());
  conebook::tests::DrawnSpray spray;
  conebook::tests::DrawFrames(folder / "clip", spray);
  // Two seconds of clip, 0.05 s into the second step and before the third.
  folder.Write("rig.toml",
               kTwo +
                   "[camera]\nfps = 32.0\n[sync]\nlog_minus_video_s = 3.05\nu_log_minus_video_s = "
                   "0.01\n");
  const Outcome outcome = folder.Run("measure clip --rig rig.toml --log log.csv --json out.json");
  INFO(outcome.out << outcome.err);
  REQUIRE(outcome.exit == 0);
  const json result = json::parse(folder.Read("out.json"));
  REQUIRE(result["points"].size() == 1);
  const json& point = result["points"][0];
  CHECK(point["half_angle_deg"]["mean"]["value"].get<double>() == Approx(30.0).margin(1.5));
  CHECK(point["circuits"][0]["flowing"] == true);
  CHECK(point["circuits"][1]["flowing"] == true);
  CHECK(point["circuits"][1]["pressure_bar"]["value"].get<double>() == Approx(3.0).epsilon(1e-3));
}

TEST_CASE("circuits that share a manifold's pressure are told apart by their flow", "[process][circuits]") {
  const Folder folder("manifold");
  std::string text = "time_s,pressure_bar,a_kg_s,b_kg_s\n";
  for (int i = 0; i < 800; ++i) {
    const double t = 0.01 * i;
    const double bar = t < 1.0 || t >= 7.0 ? 0.0 : 4.0 * (1.0 + 0.0005 * std::sin(1.7 * i));
    const double root = std::sqrt(2.0 * kWater * 1e5 * bar) * 1e-6;
    text += fmt::format("{:.2f},{:.5f},{:.8f},{:.8f}\n", t, bar, 0.5 * root,
                        t >= 3.0 && t < 5.0 ? 1.2 * root : 0.0);
  }
  folder.Write("log.csv", text);
  folder.Write(
      "rig.toml",
      conebook::tests::kRig +
          "[[circuit]]\nname = \"a\"\nflow = \"a_kg_s\"\n[[circuit]]\nname = \"b\"\nflow = \"b_kg_s\"\n");
  const Outcome outcome = folder.Run("measure --log log.csv --rig rig.toml --json out.json");
  INFO(outcome.out << outcome.err);
  REQUIRE(outcome.exit == 0);
  const json result = json::parse(folder.Read("out.json"));
  REQUIRE(result["points"].size() == 3);
  CHECK(result["points"][0]["circuits"][1]["flowing"] == false);
  CHECK(result["points"][1]["circuits"][1]["flowing"] == true);
  CHECK(result["points"][1]["circuits"][1]["flow_area_mm2"]["value"].get<double>() ==
        Approx(1.2).epsilon(2e-3));
  CHECK(result["points"][2]["circuits"][0]["flow_area_mm2"]["value"].get<double>() ==
        Approx(0.5).epsilon(2e-3));
}

// A valve that takes 0.2 s, and meters that count whole pulses and follow with 0.15 s.
TEST_CASE("slow valves and quantised pulses do not move a circuit's flow area", "[process][circuits]") {
  const Folder folder("pulses");
  std::string text = "time_s,pressure_bar,a_pulse_hz,b_pulse_hz\n";
  double metered[2] = {0.0, 0.0}, counted[2] = {0.0, 0.0};
  const double area_mm2[2] = {0.5, 1.2};
  for (int i = 0; i < 1600; ++i) {
    const double t = 0.01 * i;
    const double bar = t < 1.0 || t >= 15.0 ? 0.0 : 4.0 * (1.0 + 0.0005 * std::sin(1.7 * i));
    const double opening[2] = {t < 1.0 || t >= 15.0 ? 0.0 : 1.0,
                               std::clamp(std::min((t - 5.0) / 0.2, (10.0 - t) / 0.2), 0.0, 1.0)};
    text += fmt::format("{:.2f},{:.5f}", t, bar);
    for (int c = 0; c < 2; ++c) {
      const double litre_s = opening[c] * FlowKgS(area_mm2[c], kWater, bar) / kWater * 1e3;
      metered[c] += (litre_s - metered[c]) * (1.0 - std::exp(-0.01 / 0.15));
      const double before = std::floor(counted[c]);
      counted[c] += metered[c] * 20000.0 * 0.01;
      text += fmt::format(",{:.1f}", (std::floor(counted[c]) - before) / 0.01);
    }
    text += "\n";
  }
  folder.Write("log.csv", text);
  folder.Write("rig.toml",
               conebook::tests::kRig +
                   "[[circuit]]\nname = \"a\"\nflow = \"a_pulse_hz\"\nk_factor_per_l = 20000.0\n"
                   "[[circuit]]\nname = \"b\"\nflow = \"b_pulse_hz\"\nk_factor_per_l = 20000.0\n");
  const Outcome outcome = folder.Run("measure --log log.csv --rig rig.toml --json out.json");
  INFO(outcome.out << outcome.err);
  REQUIRE(outcome.exit == 0);
  const json result = json::parse(folder.Read("out.json"));
  REQUIRE(result["points"].size() == 3);
  for (std::size_t k = 0; k < 3; ++k) {
    CAPTURE(k);
    // One pulse in some 280 a second over four seconds is 0.1 %.
    CHECK(result["points"][k]["circuits"][0]["flow_area_mm2"]["value"].get<double>() ==
          Approx(0.5).epsilon(4e-3));
  }
  CHECK(result["points"][1]["circuits"][1]["flow_area_mm2"]["value"].get<double>() ==
        Approx(1.2).epsilon(4e-3));
}

TEST_CASE("circuits stated wrongly get one line each", "[process][circuits]") {
  const Folder folder("bad_circuits");
  folder.Write("log.csv", TwoCircuitLog());
  const std::string core = "[[circuit]]\nname = \"core\"\npressure = \"core_bar\"\nflow = \"core_lpm\"\n";
  const auto refused = [&](const std::string& text, const std::string& with) {
    folder.Write("rig.toml", conebook::tests::kRig + text);
    const Outcome outcome = folder.Run("measure --log log.csv --rig rig.toml");
    INFO(text << outcome.err);
    CHECK(outcome.exit == 2);
    CHECK(outcome.ErrorLines() == 1);
    CHECK(outcome.err.find(with) != std::string::npos);
  };
  refused(core, "one [[circuit]] alone");
  refused(core + core, "two circuits have the name");
  refused(core + "[[circuit]]\nflow = \"ring_g_s\"\n", "name is missing");
  refused(core + "[[circuit]]\nname = \"ring\"\n", "flow is missing");
  refused(core + "[[circuit]]\nname = \"ring\"\nflow = \"ring_g_s\"\npresure = \"ring_bar\"\n",
          "did you mean pressure?");
  refused(core + "[[circuit]]\nname = \"ring\"\nflow = \"ring_gs\"\npressure = \"ring_bar\"\n", "ring_gs");
  refused("[circuit]\nname = \"core\"\n", "expected tables [[circuit]]");
  refused(core + "[[circuit]]\nname = \"ring\"\nflow = \"ring_g_s\"\nexit_diameter_mm = -1.0\n",
          "exit_diameter_mm");
}

TEST_CASE("a rig without circuits gives a result without them", "[process][circuits]") {
  const Folder folder("one_circuit");
  folder.Write("log.csv", conebook::tests::LogText());
  folder.Write("rig.toml", conebook::tests::kRig);
  REQUIRE(folder.Run("measure --log log.csv --rig rig.toml --json out.json --archive book.db").exit == 0);
  CHECK(folder.Read("out.json").find("circuit") == std::string::npos);
  REQUIRE(folder.Run("export --archive book.db --bundle out").exit == 0);
  CHECK_FALSE(folder.Has("out/circuits.csv"));
}
