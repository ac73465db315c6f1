// A power law with a prior, fitted to elements: y = constant + sum of slope * (x - centre), y and x
// logarithms. Theory is the prior mean where y is ln(measured / theory): constant and slopes are then what
// has to be corrected in theory, and their prior spread says how far theory is trusted.
//
//   y_i = law(x_i) + group part + element part + errors of measurement
//
// Group part: what elements of one batch have in common beside the law; element part: what each has of its
// own. Both normal, their spreads unknown with a half-t prior of 4 degrees of freedom (Gelman 2006, Bayesian
// Analysis 1(3):515-533, from memory). For given spreads all is normal and linear (Gelman et al., Bayesian
// Data Analysis, 3rd ed., 14.8 and 15); over the spreads it is summed on a grid. With flat slopes, no u and
// the reference prior 1/spread it is ordinary least squares, and intervals are Student's t.
//
// Errors in x are taken into account to first order: the error of a dimension moves y and x together, and
// widens the row by what it moves of y - law(x) (effective variance). What errors in x take off the slopes
// themselves, their variance over the variance of x, is not corrected: below 1 % where the elements differ by
// ten times u.
#pragma once

#include <limits>
#include <optional>
#include <string>
#include <vector>

#include <Eigen/Core>

#include <calib/quantity.h>

namespace conebook::calib {

// What the error of one dimension (its logarithm) does to a row: u of it, dy and dx by which y and x move
// with it.
struct DimensionError {
  double u = 0.0;
  double dy = 0.0;
  std::vector<double> dx;  // one for each x
};

struct LawRow {
  double y = 0.0;
  std::vector<double> x;
  double u = 0.0;              // of y: this row's own error of measurement
  std::vector<double> shared;  // u of y by each error that rows share (a meter, a day); empty: none
  std::vector<DimensionError> dimensions;
  int group = -1;  // rows of one number share a group part; -1: a group of its own
};

struct LawPrior {
  // Where `constant` is the value of y; empty: the mean of the rows, for flat priors.
  std::vector<double> centre;
  double constant_sd = std::numeric_limits<double>::infinity();  // infinity: flat
  std::vector<double> slope_sd;                                  // empty: all flat
  std::optional<double> element_sd;  // scale of the half-t prior; nothing: the reference prior 1/spread
  std::optional<double> group_sd;    // the same of the group part; nothing: there is none

  // Nothing when usable with so many x; else what is wrong.
  std::optional<std::string> Problem(std::size_t slopes) const;
};

// The law for one pair of spreads, with its weight.
struct LawNode {
  double weight = 0.0;  // all add to 1
  double element_sd = 0.0, group_sd = 0.0;
  Eigen::VectorXd mean;  // constant, slopes
  Eigen::MatrixXd covariance;
  // Of what the rows share, as much of it as a row has on average: variance, and covariance with the above.
  double shared_variance = 0.0;
  Eigen::VectorXd shared_covariance;
};

// A row as the law without that row foretells its measurement.
struct LeftOut {
  double mean = 0.0, sd = 0.0;
  Interval interval95;
};

struct LawFit {
  std::vector<double> centre;
  std::vector<LawNode> nodes;
  int rows = 0, groups = 0;
  bool has_groups = false;  // some group has two rows or more; else only the priors part group from element
  // Over the nodes: mean and covariance of constant and slopes, medians and 95 % intervals of the spreads.
  Eigen::VectorXd mean;
  Eigen::MatrixXd covariance;
  double element_sd = 0.0, group_sd = 0.0;
  Interval element_sd95, group_sd95;
  std::vector<LeftOut> left_out;  // one a row, exact: without fitting again
};

// Nothing where the rows do not determine the law: a flat slope without rows for it, or numbers that are not
// finite. Throws std::logic_error for an unusable prior or rows of different size.
std::optional<LawFit> FitLaw(const std::vector<LawRow>& rows, const LawPrior& prior);

struct LawPrediction {
  double mean = 0.0, sd = 0.0;  // of y
  Interval interval95;
  // Where it comes from, as standard deviations: the law (what is not known of constant and slopes), the
  // batch as a whole, the element (of `elements` the mean), and the dimensions.
  double law_sd = 0.0, group_sd = 0.0, element_sd = 0.0, dimension_sd = 0.0;
};

// y of an element not yet made, of a new batch: its true value, not one more measurement. elements: the mean
// of so many of one batch. dimensions: errors with which the wanted x will be met, in effect of y itself (dy,
// dx of the whole: prior mean and law).
LawPrediction PredictLaw(const LawFit& fit, const std::vector<double>& x, int elements = 1,
                         const std::vector<DimensionError>& dimensions = {});

// Quick, by moments alone: no interval.
LawPrediction PredictLawMoments(const LawFit& fit, const std::vector<double>& x, int elements = 1);

// sd of the prediction at x once one more element of another batch has been made at `made_at` and measured
// with u of its own, and with what the rows share (their meter) as a row has it on average: that a further
// test on the same stand does not take away.
double SdAfterOneMore(const LawFit& fit, const std::vector<double>& x, const std::vector<double>& made_at,
                      double u);

// How far x lies from what the rows tell: law variance at x over the largest at a row. Above 1: a hidden
// extrapolation even within every range (Montgomery, Peck & Vining, Introduction to Linear Regression
// Analysis, "hidden extrapolation"; from memory).
double LeverageRatio(const LawFit& fit, const std::vector<double>& x,
                     const std::vector<std::vector<double>>& rows);

}  // namespace conebook::calib
