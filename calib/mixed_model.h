// A mean that depends on fixed effects, with random effects of known grouping: readings within mountings
// within elements, for instance. Variance components by restricted maximum likelihood (Patterson & Thompson
// 1971, Biometrika 58:545), Fisher scoring. A contrast of the fixed effects gets its variance with the
// small-sample correction of Kenward & Roger (1997, Biometrics 53:983) and their degrees of freedom, which
// for one contrast are Satterthwaite's: 2 g^2 / (g' A g'), g its variance, g' its derivatives, A the
// components' covariance.
//
// Components may come out below zero, as they must for a contrast's u to be right on average: set to zero,
// they would let many readings of few elements pass for many elements. In balanced data the results are those
// of the analysis of variance, with its exact degrees of freedom. No mean of a block gets less than a fifth
// of the variance that its readings' scatter alone would give.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include <Eigen/Core>

namespace conebook::calib {

// A random effect: readings of equal level share one draw of it. -1: the reading has none of it.
struct RandomEffect {
  std::string name;
  std::vector<int> level;  // one a reading; equal levels only within one block
};

struct MixedData {
  Eigen::VectorXd y;
  Eigen::MatrixXd fixed;   // a row a reading, a column an effect; columns that add nothing are found
  std::vector<int> block;  // readings of different blocks have no random effect in common
  std::vector<RandomEffect> random;
  std::vector<int> scatter;               // which residual variance a reading has, from 0
  std::vector<double> relative_variance;  // of its residual; empty: all 1
};

struct MixedContrast {
  double value = 0.0;
  double u = 0.0;
  double dof = 0.0;
  Eigen::VectorXd weights;  // value = weights . y
};

class MixedFit {
 public:
  // Nothing where the data do not determine the components: `why` then says so.
  static std::optional<MixedFit> Make(const MixedData& data, std::string* why = nullptr);

  // Variances of the random effects, in their order, then of the residuals.
  const std::vector<double>& Components() const { return components_; }
  int ResidualDof() const { return residual_dof_; }  // readings less independent fixed effects

  // The fixed effects, 0 for a column that added nothing: single ones have a meaning only beside the others.
  Eigen::VectorXd Fixed() const;

  // Nothing where the readings do not tell: the contrast is confounded with other effects.
  std::optional<MixedContrast> Contrast(const Eigen::VectorXd& of_fixed) const;

 private:
  struct Block;
  MixedFit() = default;

  Eigen::VectorXd y_;
  Eigen::MatrixXd fixed_;         // independent columns alone
  std::vector<int> kept_, left_;  // columns of the data's `fixed`
  Eigen::MatrixXd left_of_kept_;  // what the dropped columns are, in terms of those kept
  std::vector<double> components_;
  Eigen::MatrixXd of_components_;  // their covariance
  int residual_dof_ = 0;
  // At the components: V^-1, and M = (X' V^-1 X)^-1.
  std::vector<std::vector<int>> rows_;
  std::vector<Eigen::MatrixXd> inverse_;
  std::vector<std::vector<Eigen::MatrixXd>> shape_;  // by block, then component: dV / d component
  Eigen::MatrixXd m_;

  friend class MixedSolver;
};

}  // namespace conebook::calib
