// Discharge of a plain drilled hole, as theory to hold a measurement against.
// Source: Lichtarowicz, Duggins & Markland (1965), J. Mech. Eng. Sci. 7(2):210-219; log10 in the last term.
#pragma once

#include <optional>

namespace conebook::calib {

// Discharge coefficient of a sharp-edged hole, single-phase; reynolds with the ideal velocity and the
// diameter. Nothing outside the correlation's range: Reynolds 10 to 2e4, length over diameter 2 to 10. From
// 2e4 on the coefficient hardly moves (under 0.02): callers may ask for 2e4.
std::optional<double> PlainOrificeCd(double reynolds, double length_over_diameter);

// Cd A sqrt(2 rho dp)
double OrificeFlowKgS(double cd, double area_mm2, double density_kg_m3, double pressure_drop_bar);

}  // namespace conebook::calib
