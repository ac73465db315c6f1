// Density, viscosity, surface tension and vapour pressure of the stand's liquid. Temperatures in degrees
// Celsius, pressures absolute in pascals. Water: IAPWS SR6-08(2011) for density and viscosity at 0.1 MPa,
// 253.15 to 383.15 K; IAPWS R1-76(2014) for surface tension; the isothermal compressibility is the parabola
// through the three verification values of SR6-08 (within some 3 % between 0 and 100 C, which is 2e-5 of the
// density at 10 bar). Vapour pressure: IAPWS-IF97 region 4 (R7-97(2012), eq. 30), 273.15 K to 383.15 K. Other
// liquids: single values near 20 C, with an uncertainty wide enough for batch and handbook differences;
// vapour pressure by Antoine's equation (liquid.cpp says from where).
#pragma once

#include <optional>
#include <string>

#include <calib/quantity.h>

namespace conebook::calib {

// Throw InputError outside 253.15 to 383.15 K (surface tension: from 248.15 K).
double WaterDensityKgM3(double temperature_c);  // at 0.1 MPa
double WaterViscosityPaS(double temperature_c);
double WaterSurfaceTensionNM(double temperature_c);
double WaterVapourPressurePa(double temperature_c);  // from 273.15 K
double WaterCompressibilityPerPa(double temperature_c);
double WaterDensityKgM3(double temperature_c, double pressure_pa);

enum class LiquidKind { kWater, kEthanol, kIsopropanol, kKerosene };

// "water", "ethanol", "isopropanol", "kerosene"; nothing for another name.
std::optional<LiquidKind> LiquidFromName(const std::string& name);
const char* NameOf(LiquidKind kind);

// One property of a liquid by temperature and pressure: the value, what temperature does to it, and the share
// of its uncertainty that has nothing to do with temperature.
struct LiquidProperty {
  double value = 0.0;
  double per_kelvin = 0.0;  // d value / d temperature
  double u_formula = 0.0;   // the formula or handbook value, and the liquid's purity
};

LiquidProperty DensityKgM3(LiquidKind kind, double temperature_c, double pressure_pa);
LiquidProperty ViscosityPaS(LiquidKind kind, double temperature_c);
LiquidProperty SurfaceTensionNM(LiquidKind kind, double temperature_c);
LiquidProperty VapourPressurePa(LiquidKind kind, double temperature_c);

}  // namespace conebook::calib
