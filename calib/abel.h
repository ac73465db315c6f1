// From what a lit spray hides to where it hides it: the inverse Abel transform of one row's absorbance. With
// a spray that is round about its axis, p(x) = 2 int_|x|^R f(r) r / sqrt(r^2 - x^2) dr; p: absorbance, -ln of
// transmitted light, its mean over frames taken after the logarithm; f: extinction per length at radius r,
// 1/mm. Extinction, not mass: drops hide light by their area. Holds in linear light where little of it is
// scattered back into the lens.
//
// How: f is piecewise linear between radii from 0 to R, zero at R and beyond; each piece's projection is
// exact. f is the least-squares one with its curvature held down (Tikhonov), f level on the axis. The
// strength is the most likely one given the data (marginal likelihood; Wahba 1985, Ann. Statist. 13:1378,
// calls it GML; from memory), and so is the noise where none is stated. u: the noise, carried through exactly
// (the estimate is linear in p once the strength is chosen), and the smoothing, by the posterior of the same
// model: its bands cover on average over the radii (Wahba 1983, J. R. Stat. Soc. B 45:133, from memory), less
// where f bends sharply and more where it is flat. Not in u: an axis put wrong, a spray that is not round
// (compare the halves), noise that neighbouring samples share.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <variant>
#include <vector>

#include <Eigen/Core>

#include <calib/quantity.h>

namespace conebook::calib {

struct AbelProfile {
  std::vector<double> x_mm;  // from the axis, in any order, negative to the left
  std::vector<double> absorbance;
  std::optional<double> u_absorbance;  // of one sample; nothing: taken from the scatter
};

struct AbelOptions {
  double outer_mm = 0.0;  // R; 0: half a sample beyond the largest |x|
  int radii = 60;         // at most; never more than half the samples
  int draws = 400;        // of the posterior, for the peak and the hollowness
  std::uint64_t seed = 1;
  std::optional<std::string> Problem() const;
};

struct RadialExtinction {
  std::vector<double> radius_mm;  // 0 to R
  std::vector<double> extinction_per_mm;
  std::vector<double> u_per_mm;        // noise and smoothing
  std::vector<double> u_noise_per_mm;  // noise alone, exact
  Eigen::MatrixXd covariance;          // of extinction, noise and smoothing
  double strength = 0.0;               // of the smoothing, in units of the noise's variance
  double free_values = 0.0;            // trace of the fit's hat matrix
  double u_absorbance = 0.0;           // of one sample, stated or found
  double chi_squared_per_dof = 0.0;    // residuals against u_absorbance; well above 1: not a round spray
  double edge_share =
      0.0;  // absorbance of the six outermost samples, their mean over the largest: above 0, the
  // picture cuts the spray off, and what lies outside is taken for inside
  Quantity peak_radius_mm;  // where f is largest
  Quantity peak_per_mm;
  // 1 - (mean of f over the disc within half the peak radius) / peak: 1 an empty core, 0 a filled one.
  Quantity hollowness;
  bool peak_on_axis = false;  // the peak lies at the axis within its u: hollowness then says little
};

enum class NoInversion { kTooFewSamples, kNoAbsorbance, kNotFinite };
const char* ReasonOf(NoInversion reason);

using AbelResult = std::variant<RadialExtinction, NoInversion>;

// Both sides together.
AbelResult InvertAbel(const AbelProfile& profile, const AbelOptions& options = {});

struct AbelHalves {
  AbelResult left, right;
  // Share of the absorbance's area that lies right of the axis, less a half; u from the samples' noise.
  std::optional<Quantity> right_excess;
};
// Each side for itself.
AbelHalves InvertAbelHalves(const AbelProfile& profile, const AbelOptions& options = {});

// Projection at |x| of the piecewise linear f through (radius, extinction), zero beyond the last.
double ProjectAbel(const std::vector<double>& radius_mm, const std::vector<double>& extinction_per_mm,
                   double x_mm);

}  // namespace conebook::calib
