// Reynolds, Weber and cavitation numbers of pressure points. Worked by hand from water at 20 C: 998.2065
// kg/m3, 1001.57 uPa s (IAPWS SR6-08), 72.74 mN/m (IAPWS R1-76), 2339.2 Pa (Wagner and Pruss 1993, from
// memory), and the flow of an ideal orifice with Cd 0.25 on 2 mm at 5 bar, 0.0248142 kg/s.
#include "src/flow_numbers.h"

#include <cmath>
#include <numbers>

#include <catch2/catch.hpp>

#include <src/discharge.h>
#include <src/stand_flags.h>

using namespace conebook;
using Catch::Matchers::Contains;

namespace {

src::Rig RigOf(double exit_mm) {
  src::Rig rig;
  rig.path = "RIG.toml";
  rig.element = "A07";
  rig.view.exit_diameter_mm = {exit_mm, 0.005 * exit_mm, false, false};
  rig.stand.temperature_c = calib::Stated{20.0, 0.5, false, false};
  rig.stand.liquid = "water";
  rig.stand.area_kind = "exit";
  return rig;
}

src::PointReading Reading(double bar, double kg_s) {
  src::PointReading reading;
  reading.pressure_bar = bar;
  reading.flow_kind = src::FlowKind::kMassKgS;
  reading.flow = kg_s;
  return reading;
}

src::FlowNumbers At5Bar(const src::Rig& rig) {
  return ComputeDischarge(rig, {Reading(5.0, 0.0248142)}).points[0].numbers;
}

double ShareOf(const calib::Quantity& quantity, const std::string& source) {
  for (const calib::Contribution& part : quantity.budget) {
    if (part.source.find(source) != std::string::npos) return part.u / quantity.value;
  }
  return 0.0;
}

std::vector<src::Point> PointsOf(const src::Rig& rig, const std::vector<src::PointReading>& readings) {
  std::vector<src::Point> points;
  for (const src::PointDischarge& from : ComputeDischarge(rig, readings).points) {
    src::Point& point = points.emplace_back();
    point.pressure_bar = from.pressure_bar;
    point.flow_kg_s = from.flow_kg_s;
    point.flow_area_mm2 = from.flow_area_mm2;
    point.numbers = from.numbers;
  }
  return points;
}

}  // namespace

TEST_CASE("a water point's numbers are those worked by hand", "[src][flow_numbers]") {
  src::Rig rig = RigOf(2.0);
  rig.geometry.inlet_count = 4;
  rig.geometry.inlet_diameter_mm = calib::Stated{1.0, 0.01, false, false};
  const src::FlowNumbers numbers = At5Bar(rig);
  CHECK(numbers.reynolds_exit->value == Approx(15772.5).epsilon(2e-4));
  // A quarter of the flow through half the diameter: half of it.
  CHECK(numbers.reynolds_inlets->value == Approx(0.5 * numbers.reynolds_exit->value).epsilon(1e-9));
  CHECK(numbers.weber->value == Approx(1718.4).epsilon(5e-4));
  CHECK(numbers.cavitation->value == Approx(1.197972).epsilon(1e-5));
}

// GUM 5.1.6: relative uncertainties with the powers of a product as their sensitivities.
TEST_CASE("their u follows the powers of the formulas", "[src][flow_numbers]") {
  src::Rig rig = RigOf(2.0);
  rig.meter_u_percent = 0.8;
  rig.pressure_u_percent = 0.5;
  const src::FlowNumbers numbers = At5Bar(rig);
  CHECK(ShareOf(*numbers.reynolds_exit, "flow meter") == Approx(0.008).epsilon(1e-9));
  CHECK(ShareOf(*numbers.reynolds_exit, "exit diameter") == Approx(0.005).epsilon(1e-9));
  // Water near 20 C: 2.4 % a kelvin of viscosity, by half a kelvin.
  CHECK(ShareOf(*numbers.reynolds_exit, "temperature") == Approx(0.012).epsilon(0.03));
  CHECK(ShareOf(*numbers.weber, "flow meter") == Approx(0.016).epsilon(1e-9));
  CHECK(ShareOf(*numbers.weber, "exit diameter") == Approx(0.015).epsilon(1e-9));
  // 0.02 bar assumed of the ambient pressure over a drop of 5 bar; 0.5 % of 0.197972.
  CHECK(ShareOf(*numbers.cavitation, "ambient") * numbers.cavitation->value == Approx(0.004).epsilon(1e-6));
  CHECK(ShareOf(*numbers.cavitation, "pressure sensor") * numbers.cavitation->value ==
        Approx(0.005 * 0.197972).epsilon(1e-4));
}

TEST_CASE("an ambient pressure that is taken off the reading counts in both places", "[src][flow_numbers]") {
  src::Rig rig = RigOf(2.0);
  rig.log.pressure_kind = "absolute";
  rig.stand.ambient_bar = calib::Stated{1.01325, 0.01, false, false};
  const auto number = [&](double ambient_bar) {
    src::Rig moved = rig;
    moved.stand.ambient_bar->value = ambient_bar;
    return ComputeDischarge(moved, {Reading(6.01325, 0.0248142)}).points[0].numbers.cavitation->value;
  };
  const double by_difference = number(1.01325 + 0.01) - number(1.01325);
  const calib::Quantity at =
      *ComputeDischarge(rig, {Reading(6.01325, 0.0248142)}).points[0].numbers.cavitation;
  CHECK(ShareOf(at, "ambient") * at.value == Approx(by_difference).epsilon(0.01));
}

TEST_CASE("a liquid of which the rig states the density alone has no such numbers, each with its reason",
          "[src][flow_numbers]") {
  src::Rig rig = RigOf(2.0);
  rig.stand.liquid.reset();
  rig.stand.density_kg_m3 = calib::Stated{900.0, 2.0, false, false};
  src::Run run;
  run.log = src::InputFile{"log.csv", "0"};
  run.points = PointsOf(rig, {Reading(5.0, 0.0248142)});
  CHECK_FALSE(run.points[0].numbers.reynolds_exit);
  CHECK_FALSE(run.points[0].numbers.cavitation);
  ExplainWhatIsMissing(rig, run);
  const auto reason = [&](const std::string& quantity) {
    for (const calib::Flag& flag : run.flags) {
      if (flag.quantity == quantity) return flag.code;
    }
    return std::string();
  };
  CHECK(reason("reynolds_exit") == "viscosity_unknown");
  CHECK(reason("reynolds_inlets") == "viscosity_unknown");
  CHECK(reason("weber") == "surface_tension_unknown");
  CHECK(reason("cavitation_number") == "vapour_pressure_unknown");
  rig.stand.viscosity_pa_s = calib::Stated{2e-3, 1e-4, false, false};
  rig.stand.surface_tension_n_m = calib::Stated{0.03, 1e-3, false, false};
  rig.stand.vapour_pressure_pa = calib::Stated{500.0, 25.0, false, false};
  const src::FlowNumbers stated = At5Bar(rig);
  CHECK(stated.reynolds_exit->value == Approx(4.0 * 0.0248142 / (std::numbers::pi * 2e-3 * 2e-3)));
  CHECK(stated.weber);
  CHECK(stated.cavitation->value == Approx(1.0 + (101325.0 - 500.0) / 5e5));
  run.flags.clear();
  run.points = PointsOf(rig, {Reading(5.0, 0.0248142)});
  ExplainWhatIsMissing(rig, run);
  CHECK(reason("reynolds_inlets") == "inlets_unknown");
  CHECK(reason("weber").empty());
}

// A short tube cavitates below a cavitation number of (0.81 / 0.62)^2 = 1.707 (see calib/flow_numbers.h):
// into still air at 1.01325 bar from a drop of 1.01325 / 0.707 = 1.43 bar on.
TEST_CASE("drops that cavitate a plain hole in still air are noted, with the back pressure that would not",
          "[src][flow_numbers]") {
  src::Rig rig = RigOf(1.0);
  rig.kind = "plain_orifice";
  std::vector<calib::Flag> flags;
  FlagBackPressure(rig, PointsOf(rig, {Reading(1.2, 0.01), Reading(8.0, 0.0251)}), flags);
  REQUIRE(flags.size() == 1);
  CHECK(flags[0].code == "back_pressure_needed");
  CHECK(flags[0].severity == calib::Severity::kInfo);
  CHECK(flags[0].point == 1);
  // 8 bar * 0.7068 + 0.023 bar.
  CHECK_THAT(flags[0].advice, Contains("5.7 bar absolute"));
}

TEST_CASE("a swirl element's inlets cavitate only where they carry most of the drop", "[src][flow_numbers]") {
  src::Rig rig = RigOf(2.0);
  rig.geometry.inlet_count = 4;
  rig.geometry.inlet_diameter_mm = calib::Stated{1.0, 0.01, false, false};
  std::vector<calib::Flag> flags;
  // Cd 0.25 on inlets of the exit's area: far from it.
  FlagBackPressure(rig, PointsOf(rig, {Reading(9.0, 0.0332917)}), flags);
  CHECK(flags.empty());
  // Inlets of a third of that area pass 0.75 of the ideal flow.
  rig.geometry.inlet_diameter_mm->value = 0.577;
  FlagBackPressure(rig, PointsOf(rig, {Reading(9.0, 0.0332917)}), flags);
  REQUIRE(flags.size() == 1);
  CHECK_THAT(flags[0].message, Contains("inlets"));
}
