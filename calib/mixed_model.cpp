#include "calib/mixed_model.h"

#include <algorithm>
#include <cmath>
#include <map>
#include <stdexcept>

#include <Eigen/Cholesky>
#include <Eigen/Eigenvalues>
#include <Eigen/LU>

namespace conebook::calib {
namespace {

using Eigen::MatrixXd;
using Eigen::VectorXd;

constexpr double kIndependent = 1e-9;   // of a column's square: less is rounding
constexpr double kLeastShare = 0.2;     // of the scatter's own variance that a block's smallest may have
constexpr int kExactInformation = 150;  // fixed effects; with more, the average information is quicker
constexpr int kSteps = 60;
constexpr double kNoScatter = 1e-10;  // of the largest reading: less is rounding

// Columns in their order, those left out that depend on the ones before.
struct Columns {
  std::vector<int> kept, left;
};

// X' X. A reading has few effects of the many that there are.
MatrixXd SquareOf(const MatrixXd& fixed) {
  MatrixXd square = MatrixXd::Zero(fixed.cols(), fixed.cols());
  std::vector<Eigen::Index> of_row;
  for (Eigen::Index row = 0; row < fixed.rows(); ++row) {
    of_row.clear();
    for (Eigen::Index c = 0; c < fixed.cols(); ++c)
      if (fixed(row, c) != 0.0) of_row.push_back(c);
    for (const Eigen::Index a : of_row)
      for (const Eigen::Index b : of_row) square(a, b) += fixed(row, a) * fixed(row, b);
  }
  return square;
}

Columns IndependentColumns(const MatrixXd& fixed) {
  Columns columns;
  MatrixXd square = SquareOf(fixed);
  const VectorXd size = square.diagonal();
  for (int i = 0; i < square.cols(); ++i) {
    const double pivot = square(i, i);
    if (!(pivot > kIndependent * std::max(size(i), 1e-300))) {
      columns.left.push_back(i);
      continue;
    }
    columns.kept.push_back(i);
    const VectorXd row = square.row(i).transpose();
    for (int j = i + 1; j < square.cols(); ++j) {
      const double factor = row(j) / pivot;
      if (factor != 0.0) square.row(j).tail(square.cols() - i) -= factor * row.tail(square.cols() - i);
    }
  }
  return columns;
}

}  // namespace

// Everything at one set of components.
class MixedSolver {
 public:
  explicit MixedSolver(const MixedData& data, MixedFit& fit) : fit_(fit), parts_(Parts(data)) {
    const int p = static_cast<int>(fit.fixed_.cols());
    columns_.resize(fit.rows_.size());
    for (std::size_t b = 0; b < fit.rows_.size(); ++b) {
      for (int c = 0; c < p; ++c) {
        for (const int row : fit.rows_[b]) {
          if (fit.fixed_(row, c) == 0.0) continue;
          columns_[b].push_back(c);
          break;
        }
      }
      const auto n = static_cast<Eigen::Index>(fit.rows_[b].size());
      MatrixXd& x = x_.emplace_back(n, static_cast<Eigen::Index>(columns_[b].size()));
      for (Eigen::Index i = 0; i < n; ++i) {
        for (std::size_t c = 0; c < columns_[b].size(); ++c)
          x(i, static_cast<Eigen::Index>(c)) =
              fit.fixed_(fit.rows_[b][static_cast<std::size_t>(i)], columns_[b][c]);
      }
    }
  }

  static std::size_t Parts(const MixedData& data) {
    return data.random.size() +
           static_cast<std::size_t>(1 + *std::max_element(data.scatter.begin(), data.scatter.end()));
  }

  // False: not a covariance.
  bool Set(const VectorXd& components, std::size_t random) {
    const auto p = fit_.fixed_.cols();
    MatrixXd xvx = MatrixXd::Zero(p, p);
    VectorXd xvy = VectorXd::Zero(p);
    fit_.inverse_.assign(fit_.rows_.size(), {});
    double log_v = 0.0;
    for (std::size_t b = 0; b < fit_.rows_.size(); ++b) {
      const auto n = static_cast<Eigen::Index>(fit_.rows_[b].size());
      MatrixXd v = MatrixXd::Zero(n, n), scatter = MatrixXd::Zero(n, n);
      for (std::size_t i = 0; i < parts_; ++i) {
        const MatrixXd part = components(static_cast<Eigen::Index>(i)) * fit_.shape_[b][i];
        v += part;
        if (i >= random) scatter += part;
      }
      const Eigen::LLT<MatrixXd> above(v - kLeastShare * scatter);
      if (above.info() != Eigen::Success || !(scatter.diagonal().minCoeff() > 0.0)) return false;
      const Eigen::LLT<MatrixXd> cholesky(v);
      if (cholesky.info() != Eigen::Success) return false;
      log_v += 2.0 * cholesky.matrixLLT().diagonal().array().log().sum();
      MatrixXd& inverse = fit_.inverse_[b];
      inverse = cholesky.solve(MatrixXd::Identity(n, n));
      const MatrixXd vx = inverse * x_[b];
      AddSquare(b, x_[b].transpose() * vx, xvx);
      const VectorXd vy = inverse * Of(b, fit_.y_);
      const VectorXd part = x_[b].transpose() * vy;
      for (std::size_t c = 0; c < columns_[b].size(); ++c)
        xvy(columns_[b][c]) += part(static_cast<Eigen::Index>(c));
    }
    const Eigen::LLT<MatrixXd> cholesky(xvx);
    if (cholesky.info() != Eigen::Success) return false;
    fit_.m_ = cholesky.solve(MatrixXd::Identity(p, p));
    const VectorXd beta = cholesky.solve(xvy);
    residual_ = fit_.y_ - fit_.fixed_ * beta;
    projected_ = InverseTimes(residual_);  // P y
    log_likelihood_ = -0.5 * (log_v + 2.0 * cholesky.matrixLLT().diagonal().array().log().sum() +
                              residual_.dot(projected_));
    return std::isfinite(log_likelihood_);
  }

  double LogLikelihood() const { return log_likelihood_; }

  // Score and information at what was set.
  void Derive(VectorXd& score, MatrixXd& information, bool exact) const {
    const auto k = static_cast<Eigen::Index>(parts_);
    const auto p = fit_.fixed_.cols();
    score = VectorXd::Zero(k);
    information = MatrixXd::Zero(k, k);
    std::vector<MatrixXd> a(parts_, MatrixXd::Zero(p, p));
    MatrixXd direct = MatrixXd::Zero(k, k), middle = MatrixXd::Zero(k, k);
    for (std::size_t b = 0; b < fit_.rows_.size(); ++b) {
      const MatrixXd& inverse = fit_.inverse_[b];
      const MatrixXd w = inverse * x_[b];
      MatrixXd m(w.cols(), w.cols());
      for (Eigen::Index i = 0; i < w.cols(); ++i) {
        for (Eigen::Index j = 0; j < w.cols(); ++j)
          m(i, j) =
              fit_.m_(columns_[b][static_cast<std::size_t>(i)], columns_[b][static_cast<std::size_t>(j)]);
      }
      std::vector<MatrixXd> vw(parts_), iv(parts_);
      for (std::size_t i = 0; i < parts_; ++i) {
        vw[i] = fit_.shape_[b][i] * w;
        score(static_cast<Eigen::Index>(i)) -= 0.5 * inverse.cwiseProduct(fit_.shape_[b][i]).sum();
        AddSquare(b, w.transpose() * vw[i], a[i]);
        if (exact) iv[i] = inverse * fit_.shape_[b][i];
      }
      if (!exact) continue;
      for (std::size_t i = 0; i < parts_; ++i) {
        for (std::size_t j = 0; j <= i; ++j) {
          const auto r = static_cast<Eigen::Index>(i), c = static_cast<Eigen::Index>(j);
          direct(r, c) += iv[i].cwiseProduct(iv[j].transpose()).sum();
          middle(r, c) += (vw[i].transpose() * inverse * vw[j]).cwiseProduct(m).sum();
        }
      }
    }
    std::vector<VectorXd> shaped(parts_);
    std::vector<MatrixXd> ma(parts_);
    for (std::size_t i = 0; i < parts_; ++i) {
      shaped[i] = Shaped(i, projected_);
      score(static_cast<Eigen::Index>(i)) +=
          0.5 * (fit_.m_.cwiseProduct(a[i]).sum() + projected_.dot(shaped[i]));
      if (exact) ma[i] = fit_.m_ * a[i];
    }
    for (std::size_t i = 0; i < parts_; ++i) {
      for (std::size_t j = 0; j <= i; ++j) {
        const auto r = static_cast<Eigen::Index>(i), c = static_cast<Eigen::Index>(j);
        information(r, c) =
            exact ? 0.5 * (direct(r, c) - 2.0 * middle(r, c) + ma[i].cwiseProduct(ma[j].transpose()).sum())
                  : 0.5 * shaped[i].dot(Project(shaped[j]));
        information(c, r) = information(r, c);
      }
    }
  }

  VectorXd InverseTimes(const VectorXd& vector) const {
    VectorXd out = VectorXd::Zero(vector.size());
    for (std::size_t b = 0; b < fit_.rows_.size(); ++b) Put(b, fit_.inverse_[b] * Of(b, vector), out);
    return out;
  }

  VectorXd Project(const VectorXd& vector) const {
    const VectorXd inverse = InverseTimes(vector);
    return inverse - InverseTimes(fit_.fixed_ * (fit_.m_ * (fit_.fixed_.transpose() * inverse)));
  }

  VectorXd Shaped(std::size_t part, const VectorXd& vector) const {
    VectorXd out = VectorXd::Zero(vector.size());
    for (std::size_t b = 0; b < fit_.rows_.size(); ++b) Put(b, fit_.shape_[b][part] * Of(b, vector), out);
    return out;
  }

 private:
  VectorXd Of(std::size_t block, const VectorXd& vector) const {
    VectorXd out(static_cast<Eigen::Index>(fit_.rows_[block].size()));
    for (Eigen::Index i = 0; i < out.size(); ++i)
      out(i) = vector(fit_.rows_[block][static_cast<std::size_t>(i)]);
    return out;
  }
  void Put(std::size_t block, const VectorXd& from, VectorXd& to) const {
    for (Eigen::Index i = 0; i < from.size(); ++i)
      to(fit_.rows_[block][static_cast<std::size_t>(i)]) = from(i);
  }
  void AddSquare(std::size_t block, const MatrixXd& from, MatrixXd& to) const {
    for (Eigen::Index i = 0; i < from.rows(); ++i) {
      for (Eigen::Index j = 0; j < from.cols(); ++j)
        to(columns_[block][static_cast<std::size_t>(i)], columns_[block][static_cast<std::size_t>(j)]) +=
            from(i, j);
    }
  }

  MixedFit& fit_;
  std::size_t parts_;
  std::vector<std::vector<int>> columns_;  // that a block has anything of
  std::vector<MatrixXd> x_;
  VectorXd residual_, projected_;
  double log_likelihood_ = 0.0;
};

namespace {

void MustFit(const MixedData& data) {
  const auto n = static_cast<std::size_t>(data.y.size());
  bool fits = data.fixed.rows() == data.y.size() && data.block.size() == n && data.scatter.size() == n &&
              (data.relative_variance.empty() || data.relative_variance.size() == n);
  for (const RandomEffect& effect : data.random) fits = fits && effect.level.size() == n;
  if (!fits || !data.y.allFinite() || !data.fixed.allFinite())
    throw std::logic_error("MixedFit: sizes differ, or a number is not finite");
}

// Whether the information tells the components apart.
bool Tells(const MatrixXd& information) {
  const VectorXd size = information.diagonal();
  if (!(size.minCoeff() > 0.0)) return false;
  const VectorXd scale = size.cwiseSqrt().cwiseInverse();
  const MatrixXd scaled = scale.asDiagonal() * information * scale.asDiagonal();
  const VectorXd sizes =
      Eigen::SelfAdjointEigenSolver<MatrixXd>(scaled, Eigen::EigenvaluesOnly).eigenvalues();
  return sizes.minCoeff() > 1e-7 * sizes.maxCoeff();
}

}  // namespace

std::optional<MixedFit> MixedFit::Make(const MixedData& data, std::string* why) {
  const auto refuse = [&](const char* reason) -> std::optional<MixedFit> {
    if (why != nullptr) *why = reason;
    return std::nullopt;
  };
  MustFit(data);
  if (data.y.size() == 0) return refuse("there are no readings");
  MixedFit fit;
  const Columns columns = IndependentColumns(data.fixed);
  fit.kept_ = columns.kept;
  fit.left_ = columns.left;
  fit.residual_dof_ = static_cast<int>(data.y.size()) - static_cast<int>(fit.kept_.size());
  if (fit.residual_dof_ < 1) return refuse("there are no more readings than effects to tell apart");
  fit.fixed_.resize(data.fixed.rows(), static_cast<Eigen::Index>(fit.kept_.size()));
  for (std::size_t c = 0; c < fit.kept_.size(); ++c)
    fit.fixed_.col(static_cast<Eigen::Index>(c)) = data.fixed.col(fit.kept_[c]);
  const Eigen::LDLT<MatrixXd> square_of(SquareOf(fit.fixed_));
  fit.left_of_kept_.resize(fit.fixed_.cols(), static_cast<Eigen::Index>(fit.left_.size()));
  for (std::size_t c = 0; c < fit.left_.size(); ++c) {
    const VectorXd left = fit.fixed_.transpose() * data.fixed.col(fit.left_[c]);
    fit.left_of_kept_.col(static_cast<Eigen::Index>(c)) = square_of.solve(left);
  }

  // In units of the readings' own scatter about the fixed effects: components are then about 1.
  const VectorXd sums = fit.fixed_.transpose() * data.y;
  const VectorXd plain = square_of.solve(sums);
  const double square = (data.y - fit.fixed_ * plain).squaredNorm() / fit.residual_dof_;
  const double unit = std::sqrt(square);
  if (!(unit > kNoScatter * data.y.cwiseAbs().maxCoeff()))
    return refuse("the readings do not scatter at all");
  fit.y_ = data.y / unit;

  std::map<int, std::vector<int>> blocks;
  for (std::size_t i = 0; i < data.block.size(); ++i) blocks[data.block[i]].push_back(static_cast<int>(i));
  const std::size_t parts = MixedSolver::Parts(data), random = data.random.size();
  for (const auto& [name, rows] : blocks) {
    fit.rows_.push_back(rows);
    const auto n = static_cast<Eigen::Index>(rows.size());
    std::vector<MatrixXd>& shapes = fit.shape_.emplace_back(parts, MatrixXd::Zero(n, n));
    for (Eigen::Index i = 0; i < n; ++i) {
      const auto a = static_cast<std::size_t>(rows[static_cast<std::size_t>(i)]);
      shapes[random + static_cast<std::size_t>(data.scatter[a])](i, i) =
          data.relative_variance.empty() ? 1.0 : data.relative_variance[a];
      for (Eigen::Index j = 0; j < n; ++j) {
        const auto b = static_cast<std::size_t>(rows[static_cast<std::size_t>(j)]);
        for (std::size_t r = 0; r < random; ++r) {
          const auto& level = data.random[r].level;
          if (level[a] >= 0 && level[a] == level[b]) shapes[r](i, j) = 1.0;
        }
      }
    }
  }

  MixedSolver solver(data, fit);
  const bool exact = fit.fixed_.cols() <= kExactInformation;
  VectorXd now = VectorXd::Zero(static_cast<Eigen::Index>(parts));
  now.tail(static_cast<Eigen::Index>(parts - random)).setOnes();
  if (!solver.Set(now, random)) return refuse("the effects cannot be told apart");
  VectorXd score;
  MatrixXd information;
  for (int step = 0; step < kSteps; ++step) {
    solver.Derive(score, information, exact);
    if (!Tells(information)) return refuse("the readings do not tell the variance components apart");
    VectorXd change = information.ldlt().solve(score);
    const double before = solver.LogLikelihood();
    bool better = false;
    VectorXd next = now;
    for (double part = 1.0; part > 1e-4 && !better; part *= 0.5) {
      next = now + part * change;
      better = solver.Set(next, random) && solver.LogLikelihood() >= before - 1e-9 * std::abs(before) - 1e-12;
    }
    if (!better) {
      // At the edge of what a covariance may be: only the components that may still move do.
      solver.Set(now, random);
      break;
    }
    const double moved = (next - now).cwiseAbs().maxCoeff();
    now = next;
    if (moved < 1e-8 * now.cwiseAbs().maxCoeff()) break;
  }
  solver.Derive(score, information, exact);
  if (!Tells(information)) return refuse("the readings do not tell the variance components apart");

  // Back to the readings' unit.
  fit.of_components_ = information.inverse() * (square * square);
  fit.components_.resize(parts);
  for (std::size_t i = 0; i < parts; ++i) fit.components_[i] = now(static_cast<Eigen::Index>(i)) * square;
  fit.y_ = data.y;
  fit.m_ *= square;
  for (MatrixXd& inverse : fit.inverse_) inverse /= square;
  return fit;
}

VectorXd MixedFit::Fixed() const {
  VectorXd inverse_y = VectorXd::Zero(y_.size());
  for (std::size_t b = 0; b < rows_.size(); ++b) {
    for (std::size_t i = 0; i < rows_[b].size(); ++i) {
      for (std::size_t j = 0; j < rows_[b].size(); ++j)
        inverse_y(rows_[b][i]) +=
            inverse_[b](static_cast<Eigen::Index>(i), static_cast<Eigen::Index>(j)) * y_(rows_[b][j]);
    }
  }
  const VectorXd kept = m_ * (fixed_.transpose() * inverse_y);
  VectorXd all = VectorXd::Zero(kept.size() + static_cast<Eigen::Index>(left_.size()));
  for (Eigen::Index i = 0; i < kept.size(); ++i) all(kept_[static_cast<std::size_t>(i)]) = kept(i);
  return all;
}

std::optional<MixedContrast> MixedFit::Contrast(const VectorXd& of_fixed) const {
  const auto p = fixed_.cols();
  if (of_fixed.size() != p + static_cast<Eigen::Index>(left_.size()))
    throw std::logic_error("MixedFit: a contrast needs a number for each fixed effect");
  VectorXd c(p);
  for (Eigen::Index i = 0; i < p; ++i) c(i) = of_fixed(kept_[static_cast<std::size_t>(i)]);
  // A column that was left out is a mixture of others; the contrast must be the same mixture.
  for (std::size_t i = 0; i < left_.size(); ++i) {
    const double mixed = left_of_kept_.col(static_cast<Eigen::Index>(i)).dot(c);
    if (std::abs(mixed - of_fixed(left_[i])) > 1e-6 * (1.0 + of_fixed.cwiseAbs().maxCoeff()))
      return std::nullopt;
  }
  const auto in_blocks = [&](const auto& matrix_of, const VectorXd& vector) {
    VectorXd out = VectorXd::Zero(vector.size());
    for (std::size_t b = 0; b < rows_.size(); ++b) {
      VectorXd part(static_cast<Eigen::Index>(rows_[b].size()));
      for (Eigen::Index i = 0; i < part.size(); ++i) part(i) = vector(rows_[b][static_cast<std::size_t>(i)]);
      const VectorXd done = matrix_of(b) * part;
      for (Eigen::Index i = 0; i < part.size(); ++i) out(rows_[b][static_cast<std::size_t>(i)]) = done(i);
    }
    return out;
  };
  const auto inverse = [&](std::size_t b) -> const MatrixXd& { return inverse_[b]; };
  MixedContrast contrast;
  contrast.weights = in_blocks(inverse, fixed_ * (m_ * c));
  contrast.value = contrast.weights.dot(y_);
  const double plain = c.dot(m_ * c);
  const auto parts = static_cast<Eigen::Index>(components_.size());
  VectorXd slope(parts);
  std::vector<VectorXd> shaped, projected;
  for (Eigen::Index i = 0; i < parts; ++i) {
    shaped.push_back(
        in_blocks([&](std::size_t b) -> const MatrixXd& { return shape_[b][static_cast<std::size_t>(i)]; },
                  contrast.weights));
    slope(i) = contrast.weights.dot(shaped.back());
    const VectorXd v = in_blocks(inverse, shaped.back());
    projected.push_back(v - in_blocks(inverse, fixed_ * (m_ * (fixed_.transpose() * v))));
  }
  double added = 0.0;
  for (Eigen::Index i = 0; i < parts; ++i) {
    for (Eigen::Index j = 0; j < parts; ++j)
      added += of_components_(i, j) *
               shaped[static_cast<std::size_t>(i)].dot(projected[static_cast<std::size_t>(j)]);
  }
  contrast.u = std::sqrt(plain + 2.0 * std::max(0.0, added));
  contrast.dof = std::max(1.0, 2.0 * plain * plain / slope.dot(of_components_ * slope));
  contrast.dof = std::min<double>(contrast.dof, residual_dof_);
  return contrast;
}

}  // namespace conebook::calib
