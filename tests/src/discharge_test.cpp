// Flow area, discharge coefficient and flow law.
// Worked values: flow of an ideal orifice, computed by hand from Cd A sqrt(2 rho dp): d 2 mm, Cd 0.25, water
// at 20 C (998.2065 kg/m3, IAPWS SR6-08): 0.0156939, 0.0248142, 0.0332917 kg/s at 2, 5, 9 bar.
#include <random>

#include <catch2/catch.hpp>

#include <calib/error.h>
#include <calib/regression.h>
#include <src/discharge.h>
#include <src/reference_area.h>

#include "simulated_log.h"

using namespace conebook;
using Catch::Matchers::Contains;

namespace {

src::Rig RigOf(double exit_mm) {
  src::Rig rig;
  rig.path = "RIG.toml";
  rig.element = "A07";
  rig.view.exit_diameter_mm = {exit_mm, 0.005 * exit_mm, false, true};
  rig.stand.temperature_c = calib::Stated{20.0, 1.0, false, false};
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

const std::vector<src::PointReading> kWorked{Reading(2.0, 0.0156939), Reading(5.0, 0.0248142),
                                             Reading(9.0, 0.0332917)};

bool Has(const src::Discharge& result, const std::string& code) {
  for (const calib::Flag& flag : result.flags) {
    if (flag.code == code) return true;
  }
  return false;
}

double ShareOf(const calib::Quantity& quantity, const std::string& source) {
  for (const calib::Contribution& part : quantity.budget) {
    if (part.source.find(source) != std::string::npos) return part.u / quantity.value;
  }
  return 0.0;
}

}  // namespace

TEST_CASE("the worked stand sweep gives back Cd 0.25 and the exponent 0.5", "[src][discharge]") {
  const src::Discharge result = ComputeDischarge(RigOf(2.0), kWorked);
  REQUIRE(result.points.size() == 3);
  for (const src::PointDischarge& point : result.points) {
    // 3e-4: water is denser under pressure (0.02 % at 5 bar), which the worked values leave out.
    CHECK(point.cd->cd.value == Approx(0.25).epsilon(3e-4));
    CHECK(point.cd->area == "exit");
    CHECK(point.flow_area_mm2->value == Approx(0.25 * 3.14159265).epsilon(3e-4));
  }
  CHECK(result.law->cd->value == Approx(0.25).epsilon(3e-4));
  CHECK(result.law->exponent->value == Approx(0.5).epsilon(1e-3));
  CHECK_FALSE(Has(result, "exponent_off"));
  CHECK_FALSE(Has(result, "cd_above_one"));
}

TEST_CASE("the budget of Cd combines as the product form of the GUM says", "[src][discharge]") {
  // u(Cd)/Cd of 0.5 % flow, 0.5 % diameter, 1 % pressure: sqrt(0.5^2 + 4 * 0.5^2 + 0.25 * 1^2) % = 1.2247 %.
  src::Rig rig = RigOf(2.0);
  rig.view.exit_diameter_mm = {2.0, 0.01, false, false};
  rig.meter_u_percent = 0.5;
  rig.pressure_u_percent = 1.0;
  const calib::Quantity cd = ComputeDischarge(rig, kWorked).points[1].cd->cd;
  CHECK(cd.u / cd.value == Approx(0.012247).epsilon(1e-3));  // density adds 0.015 % in quadrature
  CHECK(ShareOf(cd, "exit diameter") == Approx(0.01));
  CHECK(ShareOf(cd, "pressure sensor") == Approx(0.005));
}

TEST_CASE("what all points share does not average down in the flow law, what is their own does",
          "[src][discharge]") {
  src::Rig rig = RigOf(2.0);
  rig.meter_u_percent = 1.0;
  rig.pressure_u_percent = 0.8;
  std::vector<src::PointReading> readings;
  for (int i = 0; i < 16; ++i) {
    src::PointReading reading = Reading(4.0, 0.0221948);
    reading.u_flow_statistics = 0.004 * reading.flow;
    readings.push_back(reading);
  }
  const src::Discharge result = ComputeDischarge(rig, readings);
  const calib::Quantity& area = *result.law->flow_area_mm2;
  CHECK(ShareOf(area, "flow meter") == Approx(0.01));
  CHECK(ShareOf(area, "pressure sensor") == Approx(0.004));
  CHECK(ShareOf(area, "scatter") == Approx(0.004 / 4.0).epsilon(0.01));
  CHECK(area.u / area.value >= 0.01);
}

TEST_CASE("points that scatter more than their statistics say widen the flow law", "[src][discharge]") {
  std::vector<src::PointReading> readings = kWorked;
  readings[1].flow *= 1.02;
  const auto result = ComputeDischarge(RigOf(2.0), readings);
  CHECK(ShareOf(*result.law->flow_area_mm2, "about the law") > 0.005);
  CHECK(result.law->flow_area_mm2->dof < 1e6);
}

TEST_CASE("volume flow and pulses become mass by the liquid's density and the K-factor", "[src][discharge]") {
  src::Rig rig = RigOf(2.0);
  src::PointReading litres = Reading(5.0, 0.0248142 / 998.2065 * 1000.0);
  litres.flow_kind = src::FlowKind::kVolumeLS;
  CHECK(ComputeDischarge(rig, {litres}).points[0].flow_kg_s->value == Approx(0.0248142).epsilon(3e-4));
  // Turbine meters: flow = frequency / K; 350 Hz at 20000 pulses per litre are 0.0175 L/s.
  src::PointReading pulses = Reading(5.0, 350.0);
  pulses.flow_kind = src::FlowKind::kPulseHz;
  CHECK_THROWS_WITH(ComputeDischarge(rig, {pulses}), Contains("k_factor_per_l"));
  rig.k_factor_per_l = calib::Stated{20000.0, 100.0, false, false};
  const auto result = ComputeDischarge(rig, {pulses});
  CHECK(result.points[0].flow_kg_s->value == Approx(0.0175 * 998.2065e-3).epsilon(3e-4));
  CHECK(ShareOf(*result.points[0].flow_kg_s, "K-factor") == Approx(0.005));
}

TEST_CASE("a tap above the exit adds the head of the liquid", "[src][discharge]") {
  src::Rig rig = RigOf(2.0);
  rig.stand.tap_above_exit_mm = calib::Stated{1000.0, 5.0, false, false};
  // One metre of water at 20 C: 998.2065 * 9.80665 Pa = 0.097891 bar.
  CHECK(ComputeDischarge(rig, kWorked).points[0].pressure_bar->value == Approx(2.097891).epsilon(1e-5));
}

TEST_CASE("an absolute sensor is reduced by ambient, assumed where it is not stated", "[src][discharge]") {
  src::Rig rig = RigOf(2.0);
  rig.log.pressure_kind = "absolute";
  const auto assumed = ComputeDischarge(rig, kWorked);
  CHECK(assumed.points[0].pressure_bar->value == Approx(2.0 - 1.01325));
  CHECK(Has(assumed, "ambient_assumed"));
  rig.stand.ambient_bar = calib::Stated{0.95, 0.001, false, false};
  const auto stated = ComputeDischarge(rig, kWorked);
  CHECK(stated.points[0].pressure_bar->value == Approx(1.05));
  CHECK_FALSE(Has(stated, "ambient_assumed"));
}

TEST_CASE("a zero error of the pressure sensor shows in the exponent", "[src][discharge]") {
  std::vector<src::PointReading> readings;
  for (const double bar : {2.0, 3.0, 5.0, 7.0, 9.0}) {
    src::PointReading reading = Reading(bar + 1.01325, 0.0111 * std::sqrt(bar));  // absolute, taken for gauge
    reading.u_flow_statistics = 1e-4 * reading.flow;
    readings.push_back(reading);
  }
  const auto result = ComputeDischarge(RigOf(2.0), readings);
  CHECK(result.law->exponent->value > 0.55);
  CHECK(Has(result, "exponent_off"));
}

TEST_CASE("Cd above one is flagged, and two points give no exponent but a reason", "[src][discharge]") {
  CHECK(Has(ComputeDischarge(RigOf(0.8), kWorked), "cd_above_one"));
  const auto two = ComputeDischarge(RigOf(2.0), {kWorked[0], kWorked[1]});
  CHECK_FALSE(two.law->exponent);
  CHECK(Has(two, "exponent_needs_points"));
}

TEST_CASE("no flow column gives pressure alone; a meter at rest gives a reason", "[src][discharge]") {
  src::PointReading dry;
  dry.pressure_bar = 3.0;
  const auto result = ComputeDischarge(RigOf(2.0), {dry});
  CHECK(result.points[0].pressure_bar->value == 3.0);
  CHECK_FALSE(result.points[0].flow_kg_s);
  CHECK_FALSE(result.law);
  CHECK(Has(ComputeDischarge(RigOf(2.0), {Reading(3.0, 0.0)}), "no_flow"));
}

TEST_CASE("the reference area is the exit's unless another is stated, and its kind is said",
          "[src][discharge]") {
  src::Rig rig = RigOf(1.6);
  rig.stand.area_kind.reset();
  CHECK(src::FindReferenceArea(rig).kind == "exit");
  CHECK(src::FindReferenceArea(rig).area_mm2.value == Approx(2.0106193));
  CHECK(src::FindReferenceArea(rig).flags.size() == 1);
  rig.stand.area_kind = "inlets";
  CHECK_THROWS_AS(src::FindReferenceArea(rig), calib::InputError);
  rig.geometry.inlet_count = 3;
  rig.geometry.inlet_diameter_mm = calib::Stated{0.7, 0.003, false, false};
  CHECK(src::FindReferenceArea(rig).area_mm2.value == Approx(3 * 0.38484510));
  CHECK(src::FindReferenceArea(rig).flags.empty());
  rig.stand.area_kind = "user";
  CHECK_THROWS_AS(src::FindReferenceArea(rig), calib::InputError);
  rig.stand.reference_area_mm2 = calib::Stated{5.0, 0.05, false, true};
  CHECK(src::FindReferenceArea(rig).kind == "user");
}

TEST_CASE("0.02 mm on a bore of 1 mm is said to be 4 % of the area", "[src][discharge]") {
  src::Rig rig = RigOf(1.0);
  rig.view.exit_diameter_mm = {1.0, 0.02, false, false};
  rig.geometry.measured_by = "pin_gauge";
  const src::ReferenceArea area = src::FindReferenceArea(rig);
  CHECK(area.area_mm2.u / area.area_mm2.value == Approx(0.04));
  std::string said;
  for (const calib::Flag& flag : area.flags)
    if (flag.code == "bore_uncertain") said = flag.message;
  CHECK_THAT(said, Contains("0.02 mm on 1 mm") && Contains("by pin gauge") && Contains("is 4 % of the area"));
  rig.view.exit_diameter_mm.u = 0.002;
  for (const calib::Flag& flag : src::FindReferenceArea(rig).flags) CHECK(flag.code != "bore_uncertain");
}

TEST_CASE("an unknown liquid needs a density, and a stated density is used", "[src][discharge]") {
  src::Rig rig = RigOf(2.0);
  rig.stand.liquid = "nitrous oxide";
  CHECK_THROWS_WITH(ComputeDischarge(rig, kWorked), Contains("not known") && Contains("density_kg_m3"));
  rig.stand.density_kg_m3 = calib::Stated{800.0, 1.0, false, false};
  const auto result = ComputeDischarge(rig, {Reading(5.0, 0.0248142)});
  CHECK(result.points[0].cd->cd.value == Approx(0.25 * std::sqrt(998.2065 / 800.0)).epsilon(1e-4));
}

TEST_CASE("over simulated stands the 95 % interval of the flow area covers the truth", "[src][discharge]") {
  // Meter and sensor in error by draws from their stated u: Cd within 1 % in the mean square, coverage near
  // 95 %.
  int covered = 0, measured = 0;
  double squares = 0.0;
  for (unsigned seed = 1; seed <= 150; ++seed) {
    std::mt19937 random(seed + 900);
    std::normal_distribution<double> gauss(0.0, 1.0);
    tests::LogPlan plan;
    plan.level_bar = {2.0, 3.5, 5.0, 8.0};
    plan.duration_s = {1.6, 1.6, 1.6, 1.6};
    plan.seed = seed;
    plan.meter_lag_s = 0.15;
    plan.flow_per_root_bar = 0.0111;  // kg/s
    const auto log = Simulate(plan);
    src::StandLog stand;
    stand.time_s = log.time_s;
    stand.pressure_bar = log.pressure_bar;
    stand.flow = log.flow;
    stand.flow_kind = src::FlowKind::kMassKgS;
    const double sensor = 1.0 + 0.005 * gauss(random), meter = 1.0 + 0.005 * gauss(random);
    for (double& p : stand.pressure_bar) p *= sensor;
    for (double& q : stand.flow) q *= meter;
    const auto stretches = src::FindSteadyStretches(stand.time_s, stand.pressure_bar, stand.flow);
    if (stretches.size() != 4) continue;
    src::Rig rig = RigOf(2.0);
    rig.meter_u_percent = 0.5;
    rig.pressure_u_percent = 0.5;
    const auto flow = src::AverageFlow(stand.time_s, stand.flow, false, stretches);
    const auto result = ComputeDischarge(rig, ReadingsFromLog(stand, stretches, flow));
    const double truth_mm2 = 0.0111 / std::sqrt(2.0 * 998.2065 * 1e5) * 1e6;
    const auto& area = *result.law->flow_area_mm2;
    const auto interval = calib::Interval95(area);
    covered += interval.lo <= truth_mm2 && truth_mm2 <= interval.hi ? 1 : 0;
    squares += std::pow(area.value / truth_mm2 - 1.0, 2);
    ++measured;
    CHECK(result.law->exponent->value == Approx(0.5).margin(0.01));
    CHECK_FALSE(Has(result, "exponent_off"));
  }
  REQUIRE(measured >= 148);
  CHECK(std::sqrt(squares / measured) < 0.01);
  CHECK(covered >= measured * 90 / 100);
  CHECK(covered <= measured * 99 / 100);
}
