// Published values: IAPWS SR6-08(2011) table 8, IAPWS R1-76(2014), Tanaka et al. (2001), Metrologia
// 38:301-309.
#include <cmath>

#include <catch2/catch.hpp>

#include <calib/error.h>
#include <calib/liquid.h>

using namespace conebook::calib;

namespace {

constexpr double kZeroCelsiusK = 273.15;

// Tanaka et al. (2001): an independent formula for water density, 0 to 40 C.
double TanakaKgM3(double t_c) {
  const double a = t_c - 3.983035;
  return 999.974950 * (1.0 - a * a * (t_c + 301.797) / (522528.9 * (t_c + 69.34881)));
}

}  // namespace

TEST_CASE("water density meets the verification values of IAPWS SR6-08 table 8", "[calib][liquid]") {
  CHECK(WaterDensityKgM3(260.0 - kZeroCelsiusK) == Approx(997.068360).epsilon(1e-9));
  CHECK(WaterDensityKgM3(298.15 - kZeroCelsiusK) == Approx(997.047013).epsilon(1e-9));
  CHECK(WaterDensityKgM3(375.0 - kZeroCelsiusK) == Approx(957.009710).epsilon(1e-9));
}

TEST_CASE("water viscosity meets the verification values of IAPWS SR6-08 table 8", "[calib][liquid]") {
  CHECK(WaterViscosityPaS(260.0 - kZeroCelsiusK) == Approx(3058.36075e-6).epsilon(1e-8));
  CHECK(WaterViscosityPaS(298.15 - kZeroCelsiusK) == Approx(889.996774e-6).epsilon(1e-8));
  CHECK(WaterViscosityPaS(375.0 - kZeroCelsiusK) == Approx(276.207245e-6).epsilon(1e-8));
}

TEST_CASE("water density agrees with Tanaka's formula within 0.001 kg/m3 from 0 to 40 C", "[calib][liquid]") {
  for (int t_c = 0; t_c <= 40; ++t_c) {
    CAPTURE(t_c);
    CHECK(WaterDensityKgM3(t_c) == Approx(TanakaKgM3(t_c)).margin(1.0e-3).epsilon(0));
  }
}

TEST_CASE("water's surface tension meets IAPWS R1-76 and the Kaye & Laby value at 20 C", "[calib][liquid]") {
  CHECK(WaterSurfaceTensionNM(300.0 - kZeroCelsiusK) == Approx(0.0716859625).epsilon(1e-8));
  CHECK(WaterSurfaceTensionNM(20.0) == Approx(72.75e-3).margin(0.05e-3).epsilon(0));
}

TEST_CASE("water under pressure is denser by the compressibility of IAPWS SR6-08", "[calib][liquid]") {
  // 0.452463 1/GPa at 25 C (table 8): 997.408 kg/m3 at 0.9 MPa absolute.
  CHECK(WaterDensityKgM3(25.0, 9e5) == Approx(997.408).margin(5e-4).epsilon(0));
  CHECK(WaterDensityKgM3(25.0, 1e5) == Approx(WaterDensityKgM3(25.0)).epsilon(1e-12));
  // Kell (1975), from memory: 0.4589 1/GPa at 20 C and 0.4424 at 40 C; the parabola is good to 4 %.
  CHECK(WaterCompressibilityPerPa(20.0) == Approx(0.4589e-9).epsilon(0.04));
  CHECK(WaterCompressibilityPerPa(40.0) == Approx(0.4424e-9).epsilon(0.04));
}

TEST_CASE("warmer water is lighter, by a fifth of a kilogram per cubic metre and kelvin at 20 C",
          "[calib][liquid]") {
  const LiquidProperty density = DensityKgM3(LiquidKind::kWater, 20.0, 1e5);
  CHECK(density.value == Approx(998.2065).margin(1e-3).epsilon(0));
  CHECK(density.per_kelvin == Approx((TanakaKgM3(20.5) - TanakaKgM3(19.5))).epsilon(1e-2));
  CHECK(density.u_formula > 0.0);
}

TEST_CASE("other liquids carry handbook values with an uncertainty", "[calib][liquid]") {
  // Perry 3-2: ethanol 0.789 g/mL at 20 C; Kaye & Laby: its surface tension is 22.39 mN/m at 20 C, 21.55 at
  // 30 C.
  CHECK(DensityKgM3(LiquidKind::kEthanol, 20.0, 1e5).value == Approx(789.0).epsilon(1e-6));
  CHECK(SurfaceTensionNM(LiquidKind::kEthanol, 30.0).value == Approx(21.55e-3).epsilon(1e-3));
  // Jet fuel specification at 15 C: 775 to 840 kg/m3; the interval must cover the band.
  const LiquidProperty kerosene = DensityKgM3(LiquidKind::kKerosene, 15.0, 1e5);
  CHECK(kerosene.value - 3.0 * kerosene.u_formula < 775.0);
  CHECK(kerosene.value + 3.0 * kerosene.u_formula > 840.0);
}

// Encyclopaedic data pages; none of these is among the values that the parabola was put through.
TEST_CASE("the viscosity of alcohols follows published values by temperature", "[calib][liquid]") {
  const auto ethanol = [](double t_c) { return ViscosityPaS(LiquidKind::kEthanol, t_c).value; };
  CHECK(ethanol(10.0) == Approx(1.394e-3).epsilon(0.005));
  CHECK(ethanol(15.0) == Approx(1.261e-3).epsilon(0.005));
  CHECK(ethanol(25.0) == Approx(1.040e-3).epsilon(0.005));
  CHECK(ethanol(30.0) == Approx(0.949e-3).epsilon(0.005));
  // CRC Handbook, from memory: isopropanol 2.04 mPa s at 25 C.
  CHECK(ViscosityPaS(LiquidKind::kIsopropanol, 25.0).value == Approx(2.04e-3).epsilon(0.015));
  CHECK(ViscosityPaS(LiquidKind::kIsopropanol, 25.0).per_kelvin < -3e-5);
  // Beyond the table, which ends at 40 C, u grows.
  const auto relative_u = [](double t_c) {
    const LiquidProperty ethanol_at = ViscosityPaS(LiquidKind::kEthanol, t_c);
    return ethanol_at.u_formula / ethanol_at.value;
  };
  CHECK(relative_u(70.0) > 1.5 * relative_u(40.0));
}

// IAPWS R7-97(2012), table 35: 300 K.
TEST_CASE("water's vapour pressure meets the verification value of IAPWS-IF97", "[calib][liquid]") {
  CHECK(WaterVapourPressurePa(300.0 - kZeroCelsiusK) == Approx(0.353658941e-2 * 1e6).epsilon(1e-8));
  // Another equation, Wagner and Pruss (1993), coefficients from memory.
  CHECK(WaterVapourPressurePa(20.0) == Approx(2339.2).epsilon(2e-4));
  CHECK(WaterVapourPressurePa(60.0) == Approx(19947.4).epsilon(2e-4));
  CHECK(WaterVapourPressurePa(100.0) == Approx(101418.0).epsilon(2e-4));
  CHECK_THROWS_AS(WaterVapourPressurePa(300.0), InputError);
  CHECK(VapourPressurePa(LiquidKind::kWater, -5.0).value == Approx(611.2).epsilon(0.01));
}

// Boiling points at one atmosphere, CRC Handbook from memory: ethanol 78.3 C, isopropanol 82.3 C. An open
// table with other constants (ln p/kPa = 16.8958 - 3795.17 / (t + 230.918)) gives ethanol 5.79 kPa at 20 C.
TEST_CASE("alcohols boil at one atmosphere where the handbook says", "[calib][liquid]") {
  const auto vapour = [](LiquidKind kind, double t_c) { return VapourPressurePa(kind, t_c); };
  CHECK(vapour(LiquidKind::kEthanol, 78.3).value == Approx(101325.0).epsilon(0.02));
  CHECK(vapour(LiquidKind::kIsopropanol, 82.3).value == Approx(101325.0).epsilon(0.02));
  const LiquidProperty ethanol = vapour(LiquidKind::kEthanol, 20.0);
  CHECK(std::abs(ethanol.value - 5790.0) < 2.0 * ethanol.u_formula);
  CHECK(vapour(LiquidKind::kKerosene, 20.0).value < 1000.0);
}

TEST_CASE("a temperature in kelvin or fahrenheit is refused, not extrapolated", "[calib][liquid]") {
  CHECK_THROWS_AS(WaterDensityKgM3(293.15), InputError);
  CHECK_THROWS_AS(WaterDensityKgM3(-40.0), InputError);
  CHECK_FALSE(LiquidFromName("milk").has_value());
  CHECK(LiquidFromName("isopropanol") == LiquidKind::kIsopropanol);
}
