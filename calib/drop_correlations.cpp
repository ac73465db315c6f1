#include "calib/drop_correlations.h"

#include <cmath>
#include <numbers>

namespace conebook::calib {
namespace {

constexpr double kUmPerMetre = 1e6;

}  // namespace

double RadcliffeD32Um(const AtomisingFlow& f) {
  return 7.3 * std::pow(f.surface_tension_n_m, 0.6) * std::pow(f.viscosity_pa_s / f.density_kg_m3, 0.2) *
         std::pow(f.mass_flow_kg_s, 0.25) * std::pow(f.pressure_drop_pa, -0.4) * kUmPerMetre;
}

double JasujaD32Um(const AtomisingFlow& f) {
  return 4.4 * std::pow(f.surface_tension_n_m, 0.6) * std::pow(f.viscosity_pa_s / f.density_kg_m3, 0.16) *
         std::pow(f.mass_flow_kg_s, 0.22) * std::pow(f.pressure_drop_pa, -0.43) * kUmPerMetre;
}

double LefebvreD32Um(const AtomisingFlow& f) {
  return 2.25 *
         std::pow(f.surface_tension_n_m * f.viscosity_pa_s * f.mass_flow_kg_s / f.gas_density_kg_m3, 0.25) /
         std::sqrt(f.pressure_drop_pa) * kUmPerMetre;
}

double WangLefebvreD32Um(const AtomisingFlow& f, double film_thickness_um, double half_angle_deg) {
  const double film_m = film_thickness_um / kUmPerMetre * std::cos(half_angle_deg * std::numbers::pi / 180.0);
  const double waves = f.surface_tension_n_m * f.viscosity_pa_s * f.viscosity_pa_s /
                       (f.gas_density_kg_m3 * f.pressure_drop_pa * f.pressure_drop_pa);
  const double breakup = f.surface_tension_n_m * f.density_kg_m3 / (f.gas_density_kg_m3 * f.pressure_drop_pa);
  return (4.52 * std::pow(waves * film_m, 0.25) + 0.39 * std::pow(breakup, 0.25) * std::pow(film_m, 0.75)) *
         kUmPerMetre;
}

double SuyariLefebvreFilmUm(const AtomisingFlow& f, double exit_diameter_mm) {
  return 2.7 *
         std::pow(exit_diameter_mm * 1e-3 * f.mass_flow_kg_s * f.viscosity_pa_s /
                      (f.density_kg_m3 * f.pressure_drop_pa),
                  0.25) *
         kUmPerMetre;
}

std::vector<D32Theory> PublishedD32(const AtomisingFlow& flow, std::optional<double> exit_diameter_mm,
                                    std::optional<double> half_angle_deg) {
  std::vector<D32Theory> result{{"Radcliffe (1960)", RadcliffeD32Um(flow),
                                 "pressure-swirl, little variation of surface tension", true, false},
                                {"Jasuja (1979)", JasujaD32Um(flow), "kerosene to residual oil", true, false},
                                {"Lefebvre (1987)", LefebvreD32Um(flow), "pressure-swirl", false, false}};
  if (exit_diameter_mm && half_angle_deg) {
    const double film_um = SuyariLefebvreFilmUm(flow, *exit_diameter_mm);
    result.push_back(
        {"Wang & Lefebvre (1987)", WangLefebvreD32Um(flow, film_um, *half_angle_deg),
         "water and diesel blends, half angle 30 to 45 degrees; film after Suyari & Lefebvre (1986)", false,
         !(*half_angle_deg >= 30.0 && *half_angle_deg <= 45.0)});
  }
  return result;
}

}  // namespace conebook::calib
