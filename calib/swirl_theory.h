// What published relations say of a pressure-swirl element's flow and angle, to hold a measurement against.
// None is a measurement: expect a factor of two between correlations, and an inviscid angle above and an
// inviscid Cd below what small water elements show. Cd refers to the exit area, angles are half angles.
//
// K = A_p / (D_s d_o): inlet area over chamber and exit diameter. X: air core's share of the exit area.
// Inviscid theory (Abramovich 1944; Taylor 1948; Giffen & Muraszew 1953): maximum flow,
//   K = pi / (4 sqrt 2) (1 - X)^1.5 / X,  Cd = sqrt((1 - X)^3 / (1 + X)).
// Its two angles differ by ten degrees and more:
//   by mean swirl: sin a = 2 sqrt 2 X / ((1 + sqrt X) sqrt(1 + X));  by axial speed: cos^2 a = (1 - X) / (1 +
//   X).
// Correlations, all from memory: Rizk & Lefebvre (1985, J. Propulsion 1(3):193) Cd = 0.35 K^0.5
// (D_s/d_o)^0.25; Jones (1982, ICLASS) Cd = 0.45 Re^-0.02 (l_o/d_o)^-0.03 (L_s/D_s)^0.05 K^0.52
// (D_s/d_o)^0.23, Re with the ideal speed; Rizk & Lefebvre (1985) full angle = 6 K^-0.15 (dp d_o^2 rho /
// mu^2)^0.11 degrees.
#pragma once

#include <optional>

namespace conebook::calib {

struct SwirlGeometry {
  double exit_diameter_mm = 0.0;
  double inlet_area_mm2 = 0.0;  // of all inlets together
  double chamber_diameter_mm = 0.0;
  std::optional<double> exit_length_mm, chamber_length_mm;
};

// What flows, and how hard it is pushed.
struct SwirlFlow {
  double pressure_drop_pa = 0.0, density_kg_m3 = 0.0, viscosity_pa_s = 0.0;
};

double AtomizerConstant(const SwirlGeometry& geometry);  // K

// X of an inviscid element; k > 0.
double AirCoreShare(double k);
// X of an inviscid element of this Cd, between 0 and 1.
double AirCoreShareOfCd(double cd);
double InviscidCd(double air_core_share);
double InviscidHalfAngleBySwirlDeg(double air_core_share);
double InviscidHalfAngleByAxialSpeedDeg(double air_core_share);

double RizkLefebvreCd(const SwirlGeometry& geometry);
// Nothing without exit and chamber length.
std::optional<double> JonesCd(const SwirlGeometry& geometry, const SwirlFlow& flow);
double RizkLefebvreHalfAngleDeg(const SwirlGeometry& geometry, const SwirlFlow& flow);

// With the exit's diameter and the ideal speed sqrt(2 dp / rho).
double ReynoldsAtExit(double exit_diameter_mm, const SwirlFlow& flow);
double WeberAtExit(double exit_diameter_mm, const SwirlFlow& flow, double surface_tension_n_m);

}  // namespace conebook::calib
