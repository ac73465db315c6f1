// How a hollow spray's extinction goes around its axis, from the absorbance across it in several views of the
// element turned about its own axis.
//
// Extinction at radius r and azimuth theta is taken as k(r) (1 + sum_m a_m cos(m theta) + b_m sin(m theta)),
// m = 1 to harmonics. A view whose right-hand side lies at azimuth A (calib/element_lean.h) sees, at x to the
// right,
//   P(x) = S(x) + sum_m K_m(x) (a_m cos(m A) + b_m sin(m A)),
//   K_m(x) = int k(sqrt(x^2 + y^2)) cos(m angle(x, y)) dy                      along the line of sight,
// which is A. M. Cormack's decomposition (J. Appl. Phys. 34 (1963) 2722, from memory). So each view tells one
// component of each harmonic, and what a set of rotations cannot tell follows: views half a turn apart tell
// the same, three of them 60 deg apart only half of the third harmonic.
//
// k is the inverse Abel transform (calib/abel.h) of the mean of all views and both their sides; S, the part
// that all views share, is left free at each |x|, so that a k which is a little off does not pass for
// unevenness. Each view is brought to the same integral first: lamp, exposure and pressure do not matter.
// Least squares, weighted, with what is not known beforehand as unknowns of its own: each view's middle and
// the slope of the light beside its spray. Every harmonic starts from zero with a stated standard deviation,
// so that one which the views do not tell keeps that as its u. Noise is scaled by the residuals and by how
// far neighbouring cells share it. Extinction, not mass: drops hide light by their area. Ratios, so that a
// power-law tone curve leaves them alone.
#pragma once

#include <optional>
#include <span>
#include <string>
#include <vector>

namespace conebook::calib {

struct AcrossView {
  double rotation_deg = 0.0;
  std::vector<double> part;  // place across the spray in half widths, rising, right positive
  std::vector<double> absorbance, u_absorbance;
  double u_middle = 0.0;  // of the middle between the sides, in half widths
};

struct CircumferentialOptions {
  int harmonics = 6;
  double prior_amplitude = 0.3;  // of a_m and of b_m: common practice, no source
  int cells = 48;                // across the spray
  int azimuths = 24;             // of the map
  double told_part = 0.5;        // a harmonic is told where both its u are below this part of the prior's
};

struct Harmonic {
  int order = 0;
  double amplitude = 0.0, u = 0.0;        // of 1 + amplitude cos(order (azimuth - direction))
  double direction_deg = 0.0;             // of a maximum, in [0, 360 / order)
  std::optional<double> u_direction_deg;  // nothing: the amplitude is within 2 u
  bool told = false;
};

struct Circumferential {
  std::vector<double> azimuth_deg;    // from the datum mark, counter-clockwise looking upstream
  std::vector<double> relative, u;    // of the harmonics told, over the mean around; u holds the others
  std::vector<Harmonic> harmonics;    // rising
  double unevenness = 0.0;            // sd around the axis of the harmonics that are told
  double by_noise = 0.0;              // what an even spray would show of it by noise alone
  double chi_squared_per_dof = 0.0;   // before the noise was scaled by it
  double shared_by_neighbours = 0.0;  // residuals' correlation from cell to cell
};

struct CircumferentialResult {
  std::optional<Circumferential> map;
  std::string why;  // where there is none
};

// Views of two rotations or more that do not show the same. Throws std::logic_error where a view's columns
// differ in length.
CircumferentialResult FitCircumferential(std::span<const AcrossView> views,
                                         const CircumferentialOptions& options = {});

// K_m at x for the piecewise linear k through (radius, extinction), zero beyond the last.
double ProjectHarmonic(const std::vector<double>& radius, const std::vector<double>& extinction, int order,
                       double x);

}  // namespace conebook::calib
