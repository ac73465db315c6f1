#include "calib/liquid.h"

#include <algorithm>
#include <array>
#include <cmath>

#include <fmt/core.h>

#include <calib/error.h>

namespace conebook::calib {
namespace {

constexpr double kZeroCelsiusK = 273.15;
constexpr double kReferencePressurePa = 1.0e5;

double CheckedKelvin(double temperature_c, double lowest_k) {
  const double kelvin = temperature_c + kZeroCelsiusK;
  if (!(kelvin >= lowest_k && kelvin <= 383.15)) {
    throw InputError(
        fmt::format("water at {:g} C: its properties are known from {:g} to 110 C; is the temperature in "
                    "degrees Celsius?",
                    temperature_c, lowest_k - kZeroCelsiusK));
  }
  return kelvin;
}

struct Term {
  double factor;
  int power;
};

double Power(double base, int exponent) {
  return std::pow(base, exponent);
}

// Single values of other liquids, and their change with temperature.
// Densities and viscosities near 20 C: handbook tables (Perry, Kaye & Laby); isopropanol density and the
// kerosene band from memory. Published ethanol viscosities differ by 3 to 5 %. Viscosities of the alcohols by
// temperature: below.
struct Handbook {
  double density_kg_m3, density_per_k, u_density;
  double viscosity_pa_s, viscosity_per_k, u_viscosity;
  double surface_tension_n_m, surface_tension_per_k, u_surface_tension;
};
constexpr double kHandbookTemperatureC = 20.0;
constexpr Handbook kEthanol{789.0, -0.85, 0.5, 1.144e-3, 0.0, 0.05e-3, 22.39e-3, -8.4e-5, 0.1e-3};
constexpr Handbook kIsopropanol{785.5, -0.85, 1.0, 2.3703e-3, 0.0, 0.05e-3, 21.7e-3, -8.0e-5, 0.2e-3};
constexpr Handbook kKerosene{805.0, -0.75, 15.0, 1.6e-3, -3.0e-5, 0.25e-3, 25.5e-3, -8.0e-5, 1.0e-3};

// log10(p / bar) = a - b / (T + c), T in kelvin. Ethanol: NIST Chemistry WebBook, 273 to 352 K; isopropanol:
// Antoine's constants as open tables have them (5.24268, 1580.92, 219.61 with Celsius), 275 K and above.
// Both read in secondary sources.
struct Antoine {
  double a, b, c_k;
};
constexpr Antoine kEthanolVapour{5.37229, 1670.409, -40.191};
constexpr Antoine kIsopropanolVapour{5.24268, 1580.92, 219.61 - kZeroCelsiusK};
constexpr double kPaPerBar = 1e5;

double AntoinePa(const Antoine& of, double temperature_c) {
  return kPaPerBar * std::pow(10.0, of.a - of.b / (temperature_c + kZeroCelsiusK + of.c_k));
}

const Handbook& HandbookOf(LiquidKind kind) {
  if (kind == LiquidKind::kEthanol) return kEthanol;
  if (kind == LiquidKind::kIsopropanol) return kIsopropanol;
  return kKerosene;
}

LiquidProperty Linear(double at_20_c, double per_kelvin, double u, double temperature_c) {
  const double away_k = temperature_c - kHandbookTemperatureC;
  // Far from 20 C the straight line itself is in doubt: a tenth of the change.
  return {at_20_c + per_kelvin * away_k, per_kelvin, std::hypot(u, 0.1 * per_kelvin * away_k)};
}

// Viscosity halves over some 25 K: a straight line is of no use away from 20 C. The parabola of its logarithm
// through the values at 0, 20 and 40 C of an encyclopaedic data page.
using Viscosities = std::array<double, 3>;
constexpr Viscosities kEthanolViscosity{1.720e-3, 1.144e-3, 0.794e-3};
constexpr Viscosities kIsopropanolViscosity{4.5646e-3, 2.3703e-3, 1.3311e-3};

double AlcoholViscosityPaS(const Viscosities& at, double temperature_c) {
  constexpr double kStepK = 20.0;
  const double first = std::log(at[1] / at[0]) / kStepK;
  const double second = (std::log(at[2] / at[1]) / kStepK - first) / (2.0 * kStepK);
  return at[0] * std::exp(temperature_c * (first + second * (temperature_c - kStepK)));
}

template <typename Function>
LiquidProperty Differentiated(Function value_at, double temperature_c, double relative_u) {
  constexpr double kStepK = 0.05;
  const double value = value_at(temperature_c);
  const double slope = (value_at(temperature_c + kStepK) - value_at(temperature_c - kStepK)) / (2.0 * kStepK);
  return {value, slope, relative_u * value};
}

LiquidProperty OfAlcohol(const Viscosities& table, double u_at_20_c, double temperature_c) {
  LiquidProperty property = Differentiated([&](double t_c) { return AlcoholViscosityPaS(table, t_c); },
                                           temperature_c, u_at_20_c / table[1]);
  // Beyond the table the parabola itself is in doubt: a tenth of the change.
  const double nearest = AlcoholViscosityPaS(table, std::clamp(temperature_c, 0.0, 40.0));
  property.u_formula = std::hypot(property.u_formula, 0.1 * (property.value - nearest));
  return property;
}

}  // namespace

double WaterDensityKgM3(double temperature_c) {
  const double kelvin = CheckedKelvin(temperature_c, 253.15);
  constexpr double kGasConstant = 461.51805, kReferenceK = 10.0, kTaK = 593.0, kTbK = 232.0,
                   kA5 = 1.93763157e-2;
  constexpr std::array<Term, 5> kA{
      {{6.74458446e3, 4}, {-2.22521604e5, 5}, {1.00231247e8, 7}, {-1.63552118e9, 8}, {8.32299658e9, 9}}};
  constexpr std::array<Term, 6> kB{{{5.78545292e-3, 1},
                                    {-1.53195665e-2, 2},
                                    {3.11337859e-2, 3},
                                    {-4.23546241e-2, 4},
                                    {3.38713507e-2, 5},
                                    {-1.19946761e-2, 6}}};
  const double alpha = kReferenceK / (kTaK - kelvin);
  const double beta = kReferenceK / (kelvin - kTbK);
  double sum = kA5;
  for (const Term& term : kA) sum += term.factor * Power(alpha, term.power);
  for (const Term& term : kB) sum += term.factor * Power(beta, term.power);
  return kReferencePressurePa / (kGasConstant * kReferenceK * sum);
}

double WaterViscosityPaS(double temperature_c) {
  const double x = CheckedKelvin(temperature_c, 253.15) / 300.0;
  return 1e-6 * (280.68 * std::pow(x, -1.9) + 511.45 * std::pow(x, -7.7) + 61.131 * std::pow(x, -19.6) +
                 0.45903 * std::pow(x, -40.0));
}

double WaterSurfaceTensionNM(double temperature_c) {
  const double tau = 1.0 - CheckedKelvin(temperature_c, 248.15) / 647.096;
  return 0.2358 * std::pow(tau, 1.256) * (1.0 - 0.625 * tau);
}

double WaterVapourPressurePa(double temperature_c) {
  const double kelvin = CheckedKelvin(temperature_c, 273.15);
  constexpr std::array<double, 10> kN{
      0.11670521452767e4, -0.72421316703206e6, -0.17073846940092e2, 0.12020824702470e5, -0.32325550322333e7,
      0.14915108613530e2, -0.48232657361591e4, 0.40511340542057e6,  -0.23855557567849,  0.65017534844798e3};
  constexpr double kPaPerMPa = 1e6;
  const double theta = kelvin + kN[8] / (kelvin - kN[9]);
  const double a = theta * theta + kN[0] * theta + kN[1];
  const double b = kN[2] * theta * theta + kN[3] * theta + kN[4];
  const double c = kN[5] * theta * theta + kN[6] * theta + kN[7];
  return kPaPerMPa * std::pow(2.0 * c / (-b + std::sqrt(b * b - 4.0 * a * c)), 4);
}

double WaterCompressibilityPerPa(double temperature_c) {
  const double kelvin = CheckedKelvin(temperature_c, 253.15);
  // Newton's form of the parabola through 0.580390, 0.452463, 0.493498 1/GPa at 260, 298.15, 375 K.
  constexpr double kKappa0 = 0.580390e-9, kKappa1 = 0.452463e-9, kKappa2 = 0.493498e-9;
  constexpr double kT0 = 260.0, kT1 = 298.15, kT2 = 375.0;
  constexpr double kFirst = (kKappa1 - kKappa0) / (kT1 - kT0);
  constexpr double kSecond = ((kKappa2 - kKappa1) / (kT2 - kT1) - kFirst) / (kT2 - kT0);
  return kKappa0 + (kelvin - kT0) * (kFirst + kSecond * (kelvin - kT1));
}

double WaterDensityKgM3(double temperature_c, double pressure_pa) {
  return WaterDensityKgM3(temperature_c) *
         (1.0 + WaterCompressibilityPerPa(temperature_c) * (pressure_pa - kReferencePressurePa));
}

std::optional<LiquidKind> LiquidFromName(const std::string& name) {
  for (const LiquidKind kind :
       {LiquidKind::kWater, LiquidKind::kEthanol, LiquidKind::kIsopropanol, LiquidKind::kKerosene}) {
    if (name == NameOf(kind)) return kind;
  }
  return std::nullopt;
}

const char* NameOf(LiquidKind kind) {
  switch (kind) {
    case LiquidKind::kWater:
      return "water";
    case LiquidKind::kEthanol:
      return "ethanol";
    case LiquidKind::kIsopropanol:
      return "isopropanol";
    case LiquidKind::kKerosene:
      return "kerosene";
  }
  return "water";
}

LiquidProperty DensityKgM3(LiquidKind kind, double temperature_c, double pressure_pa) {
  if (kind == LiquidKind::kWater) {
    // 0.02 %: dissolved salts and air of tap water; the formula itself is far better.
    return Differentiated([pressure_pa](double t_c) { return WaterDensityKgM3(t_c, pressure_pa); },
                          temperature_c, 2e-4);
  }
  const Handbook& book = HandbookOf(kind);
  return Linear(book.density_kg_m3, book.density_per_k, book.u_density, temperature_c);
}

LiquidProperty ViscosityPaS(LiquidKind kind, double temperature_c) {
  if (kind == LiquidKind::kWater) return Differentiated(WaterViscosityPaS, temperature_c, 5e-3);
  const Handbook& book = HandbookOf(kind);
  if (kind == LiquidKind::kEthanol) return OfAlcohol(kEthanolViscosity, book.u_viscosity, temperature_c);
  if (kind == LiquidKind::kIsopropanol)
    return OfAlcohol(kIsopropanolViscosity, book.u_viscosity, temperature_c);
  return Linear(book.viscosity_pa_s, book.viscosity_per_k, book.u_viscosity, temperature_c);
}

LiquidProperty SurfaceTensionNM(LiquidKind kind, double temperature_c) {
  // 2 %: traces of surfactant move tap water far more than the formula's error.
  if (kind == LiquidKind::kWater) return Differentiated(WaterSurfaceTensionNM, temperature_c, 0.02);
  const Handbook& book = HandbookOf(kind);
  return Linear(book.surface_tension_n_m, book.surface_tension_per_k, book.u_surface_tension, temperature_c);
}

LiquidProperty VapourPressurePa(LiquidKind kind, double temperature_c) {
  // Antoine's constants of different tables differ by some per cent near 20 C.
  constexpr double kAntoineShare = 0.03;
  switch (kind) {
    case LiquidKind::kWater: {
      // The saturation line ends at the freezing point: undercooled water gets the value there.
      return Differentiated(WaterVapourPressurePa, std::max(temperature_c, 0.05), 1e-3);
    }
    case LiquidKind::kEthanol:
      return Differentiated([](double t_c) { return AntoinePa(kEthanolVapour, t_c); }, temperature_c,
                            kAntoineShare);
    case LiquidKind::kIsopropanol:
      return Differentiated([](double t_c) { return AntoinePa(kIsopropanolVapour, t_c); }, temperature_c,
                            kAntoineShare);
    case LiquidKind::kKerosene:
      // A blend has no one vapour pressure: from memory, under 1 kPa at room temperature.
      return {300.0, 0.0, 200.0};
  }
  return {};
}

}  // namespace conebook::calib
