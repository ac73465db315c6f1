// Pressure lost between the tap and the element: loss = k * density * flow^2, flow as volume, k in m^-4 (loss
// in Pa, density in kg/m3, flow in m3/s). Hoses, valves and fittings in turbulent flow follow it; the common
// form zeta * density * v^2 / 2 of a fitting of area A has k = zeta / (2 A^2). A line passes like a flow area
// of 1 / sqrt(2 k). Fitted through the origin with errors in both variables (curve_fit.h) to a run with the
// element removed, whose whole pressure drop is the line's.
#pragma once

#include <optional>
#include <vector>

namespace conebook::calib {

struct LineRun {
  double density_kg_m3 = 0.0;
  double flow_m3_s = 0.0, u_flow_m3_s = 0.0;  // u of this point alone
  double loss_pa = 0.0, u_loss_pa = 0.0;
};

struct LineFitResult {
  double k_per_m4 = 0.0,
         u_k_per_m4 = 0.0;  // u: the points' own scatter and u; what they share is to be added
  int dof = 0;
  // Of loss against flow, about 2 if the law holds, 1 in laminar flow; nothing with fewer than three points.
  std::optional<double> exponent, u_exponent;
};

// Nothing with fewer than two points, or without flow.
std::optional<LineFitResult> FitLineLoss(const std::vector<LineRun>& runs);

double LineLossPa(double k_per_m4, double density_kg_m3, double flow_m3_s);

double FlowAreaOfLineMm2(double k_per_m4);

}  // namespace conebook::calib
