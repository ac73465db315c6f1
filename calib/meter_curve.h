// What a flow meter's reading is worth, over its rate, from runs into a weighed bucket.
//   pulses:              K = pulses per litre;                       flow = rate / K
//   indicated flow:      factor = true over indicated (as volume or as mass);    flow = rate * factor
// K or factor is a constant, a straight line or a parabola in (rate / mid_rate - 1), fitted with errors in
// both variables (curve_fit.h). Rates: pulses a second, litres a second or kilograms a second. In u: the fit,
// how far runs lie from the curve beyond what their own u explains (the meter's own repeatability, and what
// the curve does not follow: no better when used than when calibrated), and what all runs share. Linearity
// and repeatability as turbine meters state them (ISO 2715, API MPMS 5.3, from memory): half the spread of
// the rates' means over their middle; standard deviation of runs at one rate. Shares are of K or factor, not
// per cent.
#pragma once

#include <limits>
#include <optional>
#include <vector>

#include <Eigen/Core>

namespace conebook::calib {

enum class MeterKind { kPulses, kVolume, kMass };

struct MeterRun {
  double rate = 0.0, u_rate = 0.0;    // as the meter shows it
  double value = 0.0, u_value = 0.0;  // K or factor; u of this run alone
};

struct MeterCurve {
  MeterKind kind = MeterKind::kPulses;
  double mid_rate = 1.0;
  Eigen::VectorXd coefficients;  // of (rate / mid_rate - 1)^0, ^1, ^2
  Eigen::MatrixXd covariance;
  double dof = std::numeric_limits<double>::infinity();
  double lowest_rate = 0.0, highest_rate = 0.0;
  double u_run_share = 0.0;     // of a run beyond its own u, about the curve
  double u_common_share = 0.0;  // scale, density: shared by all runs
};

struct MeterCurveFit {
  MeterCurve curve;
  std::vector<double> residual_share;  // of each run, over K
  double linearity_share = 0.0;
  std::optional<double> repeatability_share;  // nothing: no rate was run twice
  int rates = 0;                              // different ones; within 5 % counts as one
  double chance_of_bend = 1.0;  // that runs without the next term would seem to have it this much; F test
};

// Coefficients: 1, 2 or 3. Nothing where there are not more runs, or not as many different rates.
std::optional<MeterCurveFit> FitMeterCurve(MeterKind kind, const std::vector<MeterRun>& runs,
                                           int coefficients, double u_common_share);

struct MeterValue {
  double value = 0.0;    // K or factor; beyond the calibrated rates that of the nearest one
  double u_share = 0.0;  // beyond the calibrated rates: with 1 % and the curve's own continuation added
  double dof = std::numeric_limits<double>::infinity();
  bool in_range = true;
};
MeterValue ValueAt(const MeterCurve& curve, double rate);

// Litres a second (pulses, volume) or kilograms a second (mass).
double TrueFlow(const MeterCurve& curve, double rate);

}  // namespace conebook::calib
