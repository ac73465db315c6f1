#include "calib/flow_numbers.h"

#include <numbers>

namespace conebook::calib {
namespace {

constexpr double kMetrePerMm = 1e-3;

}  // namespace

double ReynoldsNumber(double mass_flow_kg_s, double diameter_mm, double viscosity_pa_s) {
  return 4.0 * mass_flow_kg_s / (std::numbers::pi * diameter_mm * kMetrePerMm * viscosity_pa_s);
}

double WeberNumber(double mass_flow_kg_s, double diameter_mm, double density_kg_m3,
                   double surface_tension_n_m) {
  const double d_m = diameter_mm * kMetrePerMm;
  const double speed_m_s = mass_flow_kg_s / (density_kg_m3 * std::numbers::pi / 4.0 * d_m * d_m);
  return density_kg_m3 * speed_m_s * speed_m_s * d_m / surface_tension_n_m;
}

double CavitationNumber(double drop_pa, double behind_pa, double vapour_pressure_pa) {
  return 1.0 + (behind_pa - vapour_pressure_pa) / drop_pa;
}

double CavitatesBelow(double cd) {
  return cd / kSharpEdgeContraction * (cd / kSharpEdgeContraction);
}

double BackPressurePa(double drop_pa, double wanted, double vapour_pressure_pa) {
  return vapour_pressure_pa + (wanted - 1.0) * drop_pa;
}

}  // namespace conebook::calib
