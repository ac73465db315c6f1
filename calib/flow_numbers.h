// Numbers that say how a flow through a round hole compares with another: Reynolds, Weber and cavitation.
// Reynolds and Weber take the mean speed over the hole's full bore, mass flow / (density * bore area), so
// that root Weber / Reynolds = viscosity / root(density * surface tension * diameter), whatever the flow. A
// swirl element's sheet is faster than that: its exit is not full.
//   Reynolds   = 4 mass flow / (pi diameter viscosity)
//   Weber      = density speed^2 diameter / surface tension
//   cavitation = (p1 - pv) / (p1 - p2): p1 ahead of the hole, p2 behind it, pv the liquid's vapour pressure,
//                all absolute. Nurick (1976), J. Fluids Eng. 98:681 (as an open secondary source has it; the
//                paper was not read). Never below 1 in a liquid that does not boil; the smaller, the nearer
//                to cavitation. Other definitions circulate.
// Where a sharp-edged hole cavitates its discharge coefficient is Cc * root(cavitation number), Cc = 0.62 the
// contraction (the same source), so that it cavitates below (Cd / Cc)^2.
#pragma once

namespace conebook::calib {

double ReynoldsNumber(double mass_flow_kg_s, double diameter_mm, double viscosity_pa_s);
double WeberNumber(double mass_flow_kg_s, double diameter_mm, double density_kg_m3,
                   double surface_tension_n_m);

// behind_pa: absolute. Drop above zero.
double CavitationNumber(double drop_pa, double behind_pa, double vapour_pressure_pa);

inline constexpr double kSharpEdgeContraction = 0.62;

// Of a sharp-edged hole that has cd when it runs full.
double CavitatesBelow(double cd);

// The least pressure behind the hole, absolute, at which the cavitation number is `wanted`.
double BackPressurePa(double drop_pa, double wanted, double vapour_pressure_pa);

}  // namespace conebook::calib
