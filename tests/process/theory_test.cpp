// Theory beside the measured values: which relations are quoted, on which area, with the geometry's own u.
#include <cmath>

#include <catch2/catch.hpp>
#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include "program.h"

using conebook::tests::Folder;
using conebook::tests::Outcome;
using nlohmann::json;

namespace {

std::string Log() {
  std::string text = "time_s,pressure_bar,flow_lpm\n";
  for (int k = 0; k < 120; ++k) {
    const double bar = k < 20 || k >= 100 ? 0.0 : 5.0;
    text += fmt::format("{:.1f},{:.3f},{:.6f}\n", 0.1 * k, bar, 0.6 * std::sqrt(bar));
  }
  return text;
}

// Lines of theory that are of D32, or that are not.
int CountOf(const json& point, bool of_d32) {
  int count = 0;
  for (const json& line : point["theory"]) count += (line["quantity"] == "d32_um") == of_d32 ? 1 : 0;
  return count;
}

json Measured(const Folder& folder, const std::string& element, const std::string& nozzle) {
  folder.Write("log.csv", Log());
  folder.Write("rig.toml", "[element]\nid = \"A07\"\n" + element + "[nozzle]\n" + nozzle +
                               "[stand]\ntemperature_c = 20.0\nrated_bar = 16.0\n");
  const Outcome outcome =
      folder.Run("measure --log log.csv --rig rig.toml --json out.json --report out.html");
  INFO(outcome.out << outcome.err);
  REQUIRE(outcome.exit == 0);
  return json::parse(folder.Read("out.json"))["points"][0];
}

}  // namespace

TEST_CASE("theory stands beside a swirl element's Cd where its geometry is stated", "[process][theory]") {
  const Folder folder("theory");
  // K = 4 inlets of 1 mm over 8 mm * 2 mm: pi / 16 = 0.19635; D_s / d_o = 4.
  const json point = Measured(folder,
                              "inlet_count = 4\ninlet_diameter_mm = 1.0\nu_inlet_diameter_mm = 0.02\n"
                              "chamber_diameter_mm = 8.0\nchamber_length_mm = 6.0\nexit_length_mm = 1.0\n",
                              "exit_diameter_mm = 2.0\nu_exit_diameter_mm = 0.0001\n");
  REQUIRE(CountOf(point, false) == 6);
  const auto of = [&](const std::string& quantity, const std::string& relation) {
    for (const json& line : point["theory"]) {
      if (line["quantity"] == quantity && line["relation"].get<std::string>().starts_with(relation))
        return line["value"];
    }
    return json();
  };
  // 0.35 sqrt(0.19635) 4^0.25 (Rizk and Lefebvre 1985, from memory), by hand.
  const json cd = of("cd", "Rizk and Lefebvre");
  CHECK(cd["value"].get<double>() == Approx(0.35 * std::sqrt(0.1963495) * std::pow(4.0, 0.25)).epsilon(1e-5));
  // Twice 0.02 of the bore is 4 % of the inlet area, half of that by the root.
  CHECK(cd["u"].get<double>() / cd["value"].get<double>() == Approx(0.02).margin(0.004));
  CHECK(of("cone_half_angle_deg", "Rizk and Lefebvre")["value"].get<double>() > 30.0);
  CHECK(of("cone_half_angle_deg", "inviscid, by the axial")["value"].get<double>() >
        of("cone_half_angle_deg", "inviscid, by the mean")["value"].get<double>() + 8.0);
  CHECK(folder.Read("out.html").find("Theory beside it") != std::string::npos);
}

// A circle's area goes with the square of its diameter.
TEST_CASE("a bore of 1 mm known to 0.02 mm is known to 4 % in area, and Cd says so", "[process][theory]") {
  const Folder folder("bore");
  const json point = Measured(folder, "", "exit_diameter_mm = 1.0\nu_exit_diameter_mm = 0.02\n");
  const json& cd = point["cd"];
  CHECK(cd["budget"][0]["source"] == "exit diameter");
  CHECK(cd["budget"][0]["u"].get<double>() / cd["value"].get<double>() == Approx(0.04).epsilon(1e-6));
  CHECK(CountOf(point, false) == 0);
}

// Published correlations of D32 need liquid, flow and pressure drop alone.
TEST_CASE("what is published of a swirl element's D32 stands beside it, said to be theory",
          "[process][theory]") {
  const Folder folder("d32");
  const json point = Measured(folder, "", "exit_diameter_mm = 1.0\n");
  CHECK(CountOf(point, true) == 3);
  CHECK(point["d32_um"].is_null());
  for (const json& line : point["theory"]) {
    if (line["relation"] != "Lefebvre (1987)") continue;
    // 2.25 (s mu m / rho_a)^0.25 / sqrt(dp), by hand: water at 20 C (IAPWS R1-76: 72.74 mN/m; R12-08: 1.0016
    // mPa s), 0.6 sqrt(5) l/min, 5 bar, air of 1.2 kg/m3.
    const double kg_s = 0.6 * std::sqrt(5.0) / 60.0 * 0.9984;
    const double um = 1e6 * 2.25 * std::pow(0.07274 * 1.0016e-3 * kg_s / 1.2, 0.25) / std::sqrt(5e5);
    CHECK(line["value"]["value"].get<double>() == Approx(um).epsilon(0.002));
    // A quarter of 1 % of flow, half of 0.5 % of pressure.
    CHECK(line["value"]["u"].get<double>() / um == Approx(std::hypot(0.0025, 0.0025)).epsilon(0.1));
    CHECK_FALSE(line["range"].get<std::string>().empty());
  }
  CHECK(folder.Read("out.html").find("D32, µm") != std::string::npos);
}

// Lichtarowicz, Duggins and Markland (1965): Reynolds 2e4, length of two diameters: 0.808817 (matches the
// value printed in an open secondary source).
TEST_CASE("a plain orifice is held against the sharp-edged hole", "[process][theory]") {
  const Folder folder("orifice");
  const json point =
      Measured(folder, "kind = \"plain_orifice\"\nexit_length_mm = 2.0\n", "exit_diameter_mm = 1.0\n");
  REQUIRE(point["theory"].size() == 1);
  CHECK(point["theory"][0]["value"]["value"].get<double>() == Approx(0.808817).epsilon(1e-5));
}
