// What published correlations say of a pressure-swirl element's D32, to hold a measurement against: theory,
// not measurement. Expect a factor of two between them, and more outside their ranges. They were found with
// drops counted across a plane (flux-sensitive) or along a laser beam: a still counts drops in space.
//
//   Radcliffe (1960):        D32 = 7.3 s^0.6 nu^0.2 m^0.25 dp^-0.4         from memory; simplex, s hardly
//   varied Jasuja (1979):           D32 = 4.4 s^0.6 nu^0.16 m^0.22 dp^-0.43       from memory; kerosene to
//   residual oil Lefebvre (1987):         D32 = 2.25 (s mu m / rho_a)^0.25 dp^-0.5      read in a secondary
//   source; simplex Wang & Lefebvre (1987, J. Propulsion 3(1):11): D32 = 4.52 (s mu^2 / (rho_a dp^2))^0.25 (t
//   cos a)^0.25 +
//     0.39 (s rho / (rho_a dp))^0.25 (t cos a)^0.75       read in a secondary source; water and diesel
//     blends, full angle 60 to 90 degrees. a: half angle, t: film thickness at the exit; Suyari & Lefebvre
//     (1986), read in a secondary source: t = 2.7 (d_o m mu / (rho dp))^0.25.
// The first two hold in SI units only, result in metres. m: mass flow; s: surface tension; rho_a: the gas's
// density.
#pragma once

#include <optional>
#include <string>
#include <vector>

namespace conebook::calib {

struct AtomisingFlow {
  double mass_flow_kg_s = 0.0;
  double pressure_drop_pa = 0.0;
  double density_kg_m3 = 0.0, viscosity_pa_s = 0.0, surface_tension_n_m = 0.0;
  double gas_density_kg_m3 = 1.2;
};

double RadcliffeD32Um(const AtomisingFlow& flow);
double JasujaD32Um(const AtomisingFlow& flow);
double LefebvreD32Um(const AtomisingFlow& flow);
double WangLefebvreD32Um(const AtomisingFlow& flow, double film_thickness_um, double half_angle_deg);
double SuyariLefebvreFilmUm(const AtomisingFlow& flow, double exit_diameter_mm);

struct D32Theory {
  std::string source;  // "Lefebvre (1987)"
  double d32_um = 0.0;
  std::string range;         // what it was found for, in words
  bool from_memory = false;  // the formula was remembered, not read
  bool outside = false;      // this flow is known to lie outside the range
};

// All that the flow allows, in the order above; the last needs the exit and the half angle.
std::vector<D32Theory> PublishedD32(const AtomisingFlow& flow, std::optional<double> exit_diameter_mm,
                                    std::optional<double> half_angle_deg);

}  // namespace conebook::calib
