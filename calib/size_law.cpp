#include "calib/size_law.h"

#include <algorithm>
#include <cmath>
#include <map>
#include <stdexcept>

#include <Eigen/Cholesky>
#include <Eigen/QR>

namespace conebook::calib {
namespace {

constexpr double kHalfTDof = 4.0;
constexpr int kCoarseNodes = 14, kFineNodes = 18, kCoarseAlone = 40, kFineAlone = 48;
constexpr double kReach = 14.0;                    // of ln weight: nodes below the best by more hold nothing
constexpr double kLeastWeight = 1e-7;              // of the best
constexpr double kLowest = 1e-3, kHighest = 60.0;  // of the scale: where the coarse grid ends
constexpr double kZ95 = 1.959963984540054;

double NormalPdf(double z) {
  return 0.3989422804014327 * std::exp(-0.5 * z * z);
}
double NormalCdf(double z) {
  return 0.5 * std::erfc(-z * 0.7071067811865476);
}

// ln of prior density of ln spread.
double LogPrior(double sd, const std::optional<double>& scale) {
  if (!scale) return 0.0;
  const double t = sd / *scale;
  return -0.5 * (kHalfTDof + 1.0) * std::log1p(t * t / kHalfTDof) + std::log(t);
}

struct Normals {  // a mixture
  std::vector<double> weight, mean, sd;
  double Cdf(double y) const {
    double sum = 0.0;
    for (std::size_t k = 0; k < weight.size(); ++k) sum += weight[k] * NormalCdf((y - mean[k]) / sd[k]);
    return sum;
  }
  double Quantile(double p) const {
    double lo = INFINITY, hi = -INFINITY;
    for (std::size_t k = 0; k < weight.size(); ++k) {
      lo = std::min(lo, mean[k] - 9.0 * sd[k]);
      hi = std::max(hi, mean[k] + 9.0 * sd[k]);
    }
    // Regula falsi in the bracket would need care; the mixture is smooth, so Newton within a shrinking
    // bracket.
    double at = std::clamp(Mean() + (p < 0.5 ? -1.96 : 1.96) * Sd(), lo, hi);
    for (int i = 0; i < 80; ++i) {
      const double miss = Cdf(at) - p;
      (miss > 0.0 ? hi : lo) = at;
      double density = 0.0;
      for (std::size_t k = 0; k < weight.size(); ++k)
        density += weight[k] * NormalPdf((at - mean[k]) / sd[k]) / sd[k];
      double next = density > 0.0 ? at - miss / density : 0.5 * (lo + hi);
      if (!(next > lo && next < hi)) next = 0.5 * (lo + hi);
      if (std::abs(next - at) <= 1e-10 * (1e-30 + std::abs(next) + sd.front())) return next;
      at = next;
    }
    return at;
  }
  double Mean() const {
    double sum = 0.0;
    for (std::size_t k = 0; k < weight.size(); ++k) sum += weight[k] * mean[k];
    return sum;
  }
  double Sd() const {
    const double m = Mean();
    double sum = 0.0;
    for (std::size_t k = 0; k < weight.size(); ++k)
      sum += weight[k] * (sd[k] * sd[k] + (mean[k] - m) * (mean[k] - m));
    return std::sqrt(sum);
  }
};

// The rows as arrays, columns centred and scaled, errors that rows share as columns of their own.
struct System {
  Eigen::MatrixXd x;          // constant, slopes, shared
  Eigen::VectorXd y, own;     // own: variance of the row beside the spreads
  Eigen::VectorXd precision;  // prior, of each column
  Eigen::VectorXd scale;      // of each slope's column
  std::vector<int> group;     // numbered from 0, without gaps
  int groups = 0;
  Eigen::Index slopes = 0;
};

struct Solved {
  double log_likelihood = 0.0;
  Eigen::VectorXd mean;
  Eigen::MatrixXd inverse;             // of the normal matrix
  Eigen::VectorXd left_mean, left_sd;  // of the rows, wanted or empty
};

std::optional<Solved> Solve(const System& system, double element_sd, double group_sd, bool leave_out) {
  const Eigen::Index n = system.y.size(), p = system.x.cols();
  const Eigen::ArrayXd d = system.own.array() + element_sd * element_sd;
  const Eigen::VectorXd w = d.inverse();
  const double g2 = group_sd * group_sd;
  double log_det = d.log().sum();
  Eigen::VectorXd group_w = Eigen::VectorXd::Zero(system.groups);
  Eigen::MatrixXd group_x = Eigen::MatrixXd::Zero(system.groups, p);
  Eigen::VectorXd group_c = Eigen::VectorXd::Zero(system.groups);
  if (g2 > 0.0) {
    for (Eigen::Index i = 0; i < n; ++i) {
      const int g = system.group[static_cast<std::size_t>(i)];
      group_w[g] += w[i];
      group_x.row(g) += w[i] * system.x.row(i);
    }
    for (int g = 0; g < system.groups; ++g) {
      group_c[g] = g2 / (1.0 + g2 * group_w[g]);
      log_det += std::log1p(g2 * group_w[g]);
    }
  }
  // Sigma^-1 v = w v - w (group sum of w v) c
  const auto weigh = [&](const Eigen::VectorXd& v) -> Eigen::VectorXd {
    Eigen::VectorXd out = w.cwiseProduct(v);
    if (!(g2 > 0.0)) return out;
    Eigen::VectorXd sums = Eigen::VectorXd::Zero(system.groups);
    for (Eigen::Index i = 0; i < n; ++i) sums[system.group[static_cast<std::size_t>(i)]] += out[i];
    for (Eigen::Index i = 0; i < n; ++i) {
      const int g = system.group[static_cast<std::size_t>(i)];
      out[i] -= w[i] * group_c[g] * sums[g];
    }
    return out;
  };
  Eigen::MatrixXd normal = system.x.transpose() * w.asDiagonal() * system.x;
  if (g2 > 0.0) normal -= group_x.transpose() * group_c.asDiagonal() * group_x;
  normal.diagonal() += system.precision;
  const Eigen::LLT<Eigen::MatrixXd> factor(normal);
  if (factor.info() != Eigen::Success) return std::nullopt;
  const Eigen::MatrixXd lower = factor.matrixL();
  const double largest = normal.diagonal().maxCoeff();
  for (Eigen::Index j = 0; j < p; ++j)
    if (!(lower(j, j) * lower(j, j) > 1e-13 * largest) && system.precision[j] == 0.0) return std::nullopt;
  Solved solved;
  solved.mean = factor.solve(system.x.transpose() * weigh(system.y));
  // One step of refinement: the residuals are small where the law is good.
  Eigen::VectorXd residual = system.y - system.x * solved.mean;
  solved.mean +=
      factor.solve(system.x.transpose() * weigh(residual) - system.precision.cwiseProduct(solved.mean));
  residual = system.y - system.x * solved.mean;
  const Eigen::VectorXd weighed = weigh(residual);
  const double quadratic =
      residual.dot(weighed) + solved.mean.dot(system.precision.cwiseProduct(solved.mean));
  log_det += 2.0 * lower.diagonal().array().log().sum();
  solved.log_likelihood = -0.5 * (log_det + quadratic);
  solved.inverse = factor.solve(Eigen::MatrixXd::Identity(p, p));
  if (leave_out) {
    // Of K = X P X' + Sigma: (K^-1 y)_i and (K^-1)_ii give row i as the others foretell it (Rasmussen &
    // Williams, Gaussian Processes for Machine Learning, eq. 5.12).
    Eigen::MatrixXd sx = w.asDiagonal() * system.x;
    if (g2 > 0.0) {
      for (Eigen::Index i = 0; i < n; ++i) {
        const int g = system.group[static_cast<std::size_t>(i)];
        sx.row(i) -= w[i] * group_c[g] * group_x.row(g);
      }
    }
    const Eigen::VectorXd taken = (sx * solved.inverse).cwiseProduct(sx).rowwise().sum();
    solved.left_mean.resize(n);
    solved.left_sd.resize(n);
    for (Eigen::Index i = 0; i < n; ++i) {
      const int g = system.group[static_cast<std::size_t>(i)];
      const double own = w[i] - (g2 > 0.0 ? w[i] * w[i] * group_c[g] : 0.0);
      const double k = own - taken[i];
      if (!(k > 0.0)) return std::nullopt;
      solved.left_sd[i] = 1.0 / std::sqrt(k);
      solved.left_mean[i] = system.y[i] - weighed[i] / k;
    }
  }
  return solved;
}

struct GridNode {
  double element_sd = 0.0, group_sd = 0.0, log_weight = 0.0;
};

struct Range {
  double from = 0.0, to = 0.0;  // ln of the spread
};

std::vector<double> Steps(const Range& range, int count) {
  std::vector<double> steps;
  for (int k = 0; k < count; ++k)
    steps.push_back(std::exp(range.from + (range.to - range.from) * k / (count - 1)));
  return steps;
}

std::optional<std::vector<GridNode>> Weigh(const System& system, const LawPrior& prior, bool groups,
                                           const Range& element, const Range& group, int count) {
  std::vector<GridNode> nodes;
  const std::vector<double> none{0.0};
  for (const double e : Steps(element, count)) {
    for (const double g : groups ? Steps(group, count) : none) {
      const auto solved = Solve(system, e, g, false);
      if (!solved) return std::nullopt;
      nodes.push_back({e, g,
                       solved->log_likelihood + LogPrior(e, prior.element_sd) +
                           (groups ? LogPrior(g, prior.group_sd) : 0.0)});
    }
  }
  return nodes;
}

// The part of a range in which nodes weigh anything, one step wider.
Range Narrowed(const std::vector<GridNode>& nodes, const Range& range, int count, double GridNode::*spread) {
  double best = -INFINITY;
  for (const GridNode& node : nodes) best = std::max(best, node.log_weight);
  const double step = (range.to - range.from) / (count - 1);
  Range out{range.to, range.from};
  for (const GridNode& node : nodes) {
    if (node.log_weight < best - kReach) continue;
    const double at = std::log(node.*spread);
    out.from = std::min(out.from, at - step);
    out.to = std::max(out.to, at + step);
  }
  return {std::max(out.from, range.from - step), std::min(out.to, range.to + step)};
}

System Arranged(const std::vector<LawRow>& rows, const LawPrior& prior, const std::vector<double>& centre,
                std::size_t slopes, std::size_t shared) {
  System system;
  const auto n = static_cast<Eigen::Index>(rows.size());
  const auto j_count = static_cast<Eigen::Index>(slopes);
  system.slopes = j_count;
  system.x = Eigen::MatrixXd::Zero(n, 1 + j_count + static_cast<Eigen::Index>(shared));
  system.y = Eigen::VectorXd::Zero(n);
  system.own = Eigen::VectorXd::Zero(n);
  system.scale = Eigen::VectorXd::Ones(j_count);
  system.precision = Eigen::VectorXd::Ones(system.x.cols());
  std::map<int, int> numbers;
  int alone = 0;
  for (Eigen::Index i = 0; i < n; ++i) {
    const LawRow& row = rows[static_cast<std::size_t>(i)];
    system.y[i] = row.y;
    system.x(i, 0) = 1.0;
    for (Eigen::Index j = 0; j < j_count; ++j)
      system.x(i, 1 + j) = row.x[static_cast<std::size_t>(j)] - centre[static_cast<std::size_t>(j)];
    for (std::size_t s = 0; s < row.shared.size(); ++s)
      system.x(i, 1 + j_count + static_cast<Eigen::Index>(s)) = row.shared[s];
    const int key = row.group >= 0 ? row.group : --alone;
    system.group.push_back(numbers.emplace(key, static_cast<int>(numbers.size())).first->second);
  }
  system.groups = static_cast<int>(numbers.size());
  for (Eigen::Index j = 0; j < j_count; ++j) {
    if (n < 2) break;
    const double norm = system.x.col(1 + j).norm() / std::sqrt(static_cast<double>(n));
    if (norm > 0.0) system.scale[j] = norm;
    system.x.col(1 + j) /= system.scale[j];
  }
  system.precision[0] =
      std::isfinite(prior.constant_sd) ? 1.0 / (prior.constant_sd * prior.constant_sd) : 0.0;
  for (Eigen::Index j = 0; j < j_count; ++j) {
    const double sd = prior.slope_sd.empty() ? INFINITY : prior.slope_sd[static_cast<std::size_t>(j)];
    const double scaled = sd * system.scale[j];
    system.precision[1 + j] = std::isfinite(sd) ? 1.0 / (scaled * scaled) : 0.0;
  }
  return system;
}

// The rows' own variances, with what errors of dimensions move y - law(x).
void SetOwn(const std::vector<LawRow>& rows, const Eigen::VectorXd& law, System& system) {
  for (std::size_t i = 0; i < rows.size(); ++i) {
    double variance = rows[i].u * rows[i].u;
    for (const DimensionError& dimension : rows[i].dimensions) {
      double moved = dimension.dy;
      for (std::size_t j = 0; j < dimension.dx.size(); ++j)
        moved -= law[static_cast<Eigen::Index>(1 + j)] * dimension.dx[j];
      variance += moved * moved * dimension.u * dimension.u;
    }
    system.own[static_cast<Eigen::Index>(i)] = variance;
  }
}

Interval SpreadInterval(const std::vector<LawNode>& nodes, double LawNode::*spread, double& median) {
  std::vector<std::pair<double, double>> sorted;
  for (const LawNode& node : nodes) sorted.emplace_back(node.*spread, node.weight);
  std::sort(sorted.begin(), sorted.end());
  const auto at = [&](double p) {
    double sum = 0.0;
    for (const auto& [value, weight] : sorted) {
      sum += weight;
      if (sum >= p) return value;
    }
    return sorted.back().first;
  };
  median = at(0.5);
  return {at(0.025), at(0.975)};
}

bool Finite(const std::vector<LawRow>& rows) {
  return std::all_of(rows.begin(), rows.end(), [](const LawRow& row) {
    const auto finite = [](double value) { return std::isfinite(value); };
    return finite(row.y) && finite(row.u) && std::all_of(row.x.begin(), row.x.end(), finite) &&
           std::all_of(row.shared.begin(), row.shared.end(), finite);
  });
}

Eigen::VectorXd Away(const LawFit& fit, const std::vector<double>& x) {
  if (x.size() != fit.centre.size()) throw std::logic_error("size law: x of another size");
  Eigen::VectorXd away(static_cast<Eigen::Index>(x.size() + 1));
  away[0] = 1.0;
  for (std::size_t j = 0; j < x.size(); ++j) away[static_cast<Eigen::Index>(j + 1)] = x[j] - fit.centre[j];
  return away;
}

}  // namespace

std::optional<std::string> LawPrior::Problem(std::size_t slopes) const {
  if (!centre.empty() && centre.size() != slopes) return "centre has not one number for each x";
  if (!slope_sd.empty() && slope_sd.size() != slopes) return "slope_sd has not one number for each x";
  if (!(constant_sd > 0.0)) return "constant_sd is not above 0";
  if (centre.empty() && std::isfinite(constant_sd)) return "a prior of the constant needs a centre";
  for (const double sd : slope_sd)
    if (!(sd > 0.0)) return "slope_sd is not above 0";
  if (element_sd && !(*element_sd > 0.0)) return "element_sd is not above 0";
  if (group_sd && !(*group_sd > 0.0)) return "group_sd is not above 0";
  if (group_sd && !element_sd) return "a group part needs a prior of the element part";
  return std::nullopt;
}

std::optional<LawFit> FitLaw(const std::vector<LawRow>& rows, const LawPrior& prior) {
  const std::size_t slopes = rows.empty() ? prior.centre.size() : rows.front().x.size();
  if (const auto problem = prior.Problem(slopes)) throw std::logic_error("size law: " + *problem);
  const std::size_t shared = rows.empty() ? 0 : rows.front().shared.size();
  for (const LawRow& row : rows) {
    if (row.x.size() != slopes || row.shared.size() != shared)
      throw std::logic_error("size law: rows of different size");
  }
  if (!Finite(rows)) return std::nullopt;
  LawFit fit;
  fit.rows = static_cast<int>(rows.size());
  fit.centre = prior.centre;
  if (fit.centre.empty()) {
    fit.centre.assign(slopes, 0.0);
    for (const LawRow& row : rows)
      for (std::size_t j = 0; j < slopes; ++j) fit.centre[j] += row.x[j] / static_cast<double>(rows.size());
  }
  System system = Arranged(rows, prior, fit.centre, slopes, shared);
  fit.groups = system.groups;
  fit.has_groups = system.groups < fit.rows;
  const bool groups = prior.group_sd.has_value();
  Eigen::VectorXd law = Eigen::VectorXd::Zero(static_cast<Eigen::Index>(slopes + 1));
  SetOwn(rows, law, system);

  double scale = prior.element_sd.value_or(0.0);
  if (!prior.element_sd) {
    // The reference prior leaves the scale to the rows; more rows than coefficients, or there is none.
    if (rows.size() <= slopes + 1) return std::nullopt;
    const auto first = Solve(system, 1.0, 0.0, false);
    if (!first) return std::nullopt;
    scale = (system.y - system.x * first->mean).norm() / std::sqrt(static_cast<double>(rows.size()));
    if (!(scale > 0.0)) return std::nullopt;
  }
  const Range element{std::log(scale * kLowest), std::log(scale * kHighest)};
  const double group_scale = prior.group_sd.value_or(scale);
  const Range group{std::log(group_scale * kLowest), std::log(group_scale * kHighest)};
  const bool in_x =
      std::any_of(rows.begin(), rows.end(), [](const LawRow& row) { return !row.dimensions.empty(); });

  const int coarse = groups ? kCoarseNodes : kCoarseAlone;
  std::vector<GridNode> nodes;
  const int rounds = in_x ? 3 : 1;
  for (int round = 0; round < rounds; ++round) {
    const auto weighed = Weigh(system, prior, groups, element, group, coarse);
    if (!weighed) return std::nullopt;
    nodes = *weighed;
    if (round + 1 == rounds) break;
    const auto best = std::max_element(nodes.begin(), nodes.end(), [](const GridNode& a, const GridNode& b) {
      return a.log_weight < b.log_weight;
    });
    const auto solved = Solve(system, best->element_sd, best->group_sd, false);
    if (!solved) return std::nullopt;
    for (std::size_t j = 0; j < slopes; ++j) {
      const auto at = static_cast<Eigen::Index>(j);
      law[1 + at] = solved->mean[1 + at] / system.scale[at];
    }
    SetOwn(rows, law, system);
  }
  const int fine = groups ? kFineNodes : kFineAlone;
  const auto weighed = Weigh(system, prior, groups, Narrowed(nodes, element, coarse, &GridNode::element_sd),
                             groups ? Narrowed(nodes, group, coarse, &GridNode::group_sd) : Range{}, fine);
  if (!weighed) return std::nullopt;
  double best = -INFINITY;
  for (const GridNode& node : *weighed) best = std::max(best, node.log_weight);
  const auto p = static_cast<Eigen::Index>(slopes + 1);
  std::vector<Normals> left(rows.size());
  double total = 0.0;
  for (const GridNode& node : *weighed) {
    const double weight = std::exp(node.log_weight - best);
    if (weight < kLeastWeight) continue;
    const auto solved = Solve(system, node.element_sd, node.group_sd, true);
    if (!solved) return std::nullopt;
    LawNode out;
    out.weight = weight;
    total += weight;
    out.element_sd = node.element_sd;
    out.group_sd = node.group_sd;
    Eigen::VectorXd rescale = Eigen::VectorXd::Ones(p);
    rescale.tail(p - 1) = system.scale.cwiseInverse();
    out.mean = solved->mean.head(p).cwiseProduct(rescale);
    out.covariance = rescale.asDiagonal() * solved->inverse.topLeftCorner(p, p) * rescale.asDiagonal();
    const Eigen::Index with = system.x.cols() - p;
    out.shared_covariance = Eigen::VectorXd::Zero(p);
    if (with > 0 && !rows.empty()) {
      const Eigen::VectorXd usual = system.x.rightCols(with).colwise().mean();
      out.shared_covariance = rescale.asDiagonal() * solved->inverse.topRightCorner(p, with) * usual;
      out.shared_variance = usual.dot(solved->inverse.bottomRightCorner(with, with) * usual);
    }
    fit.nodes.push_back(std::move(out));
    for (std::size_t i = 0; i < rows.size(); ++i) {
      const auto at = static_cast<Eigen::Index>(i);
      const double sd = solved->left_sd[at], mean = solved->left_mean[at];
      // Without row i this pair of spreads would weigh less by the row's own likelihood.
      const double density = NormalPdf((system.y[at] - mean) / sd) / sd;
      left[i].weight.push_back(weight / std::max(density, 1e-300));
      left[i].mean.push_back(mean);
      left[i].sd.push_back(sd);
    }
  }
  for (LawNode& node : fit.nodes) node.weight /= total;
  fit.mean = Eigen::VectorXd::Zero(p);
  for (const LawNode& node : fit.nodes) fit.mean += node.weight * node.mean;
  fit.covariance = Eigen::MatrixXd::Zero(p, p);
  for (const LawNode& node : fit.nodes) {
    const Eigen::VectorXd off = node.mean - fit.mean;
    fit.covariance += node.weight * (node.covariance + off * off.transpose());
  }
  fit.element_sd95 = SpreadInterval(fit.nodes, &LawNode::element_sd, fit.element_sd);
  fit.group_sd95 = SpreadInterval(fit.nodes, &LawNode::group_sd, fit.group_sd);
  for (Normals& normals : left) {
    double sum = 0.0;
    for (const double weight : normals.weight) sum += weight;
    for (double& weight : normals.weight) weight /= sum;
    fit.left_out.push_back(
        {normals.Mean(), normals.Sd(), {normals.Quantile(0.025), normals.Quantile(0.975)}});
  }
  return fit;
}

LawPrediction PredictLaw(const LawFit& fit, const std::vector<double>& x, int elements,
                         const std::vector<DimensionError>& dimensions) {
  LawPrediction out = PredictLawMoments(fit, x, elements);
  const Eigen::VectorXd away = Away(fit, x);
  for (const DimensionError& dimension : dimensions) {
    double moved = dimension.dy;
    for (std::size_t j = 0; j < dimension.dx.size(); ++j)
      moved += fit.mean[static_cast<Eigen::Index>(1 + j)] * dimension.dx[j];
    out.dimension_sd += moved * moved * dimension.u * dimension.u;
  }
  Normals normals;
  for (const LawNode& node : fit.nodes) {
    const double variance = away.dot(node.covariance * away) + node.group_sd * node.group_sd +
                            node.element_sd * node.element_sd / elements + out.dimension_sd;
    normals.weight.push_back(node.weight);
    normals.mean.push_back(away.dot(node.mean));
    normals.sd.push_back(std::sqrt(variance));
  }
  out.sd = normals.Sd();
  out.dimension_sd = std::sqrt(out.dimension_sd);
  out.interval95 = {normals.Quantile(0.025), normals.Quantile(0.975)};
  return out;
}

LawPrediction PredictLawMoments(const LawFit& fit, const std::vector<double>& x, int elements) {
  if (elements < 1) throw std::logic_error("size law: a prediction for no element");
  const Eigen::VectorXd away = Away(fit, x);
  LawPrediction out;
  out.mean = away.dot(fit.mean);
  out.law_sd = std::sqrt(std::max(0.0, away.dot(fit.covariance * away)));
  double element = 0.0, group = 0.0;
  for (const LawNode& node : fit.nodes) {
    element += node.weight * node.element_sd * node.element_sd / elements;
    group += node.weight * node.group_sd * node.group_sd;
  }
  out.element_sd = std::sqrt(element);
  out.group_sd = std::sqrt(group);
  out.sd = std::sqrt(out.law_sd * out.law_sd + element + group);
  out.interval95 = {out.mean - kZ95 * out.sd, out.mean + kZ95 * out.sd};
  return out;
}

double SdAfterOneMore(const LawFit& fit, const std::vector<double>& x, const std::vector<double>& made_at,
                      double u) {
  const Eigen::VectorXd there = Away(fit, x), here = Away(fit, made_at);
  double variance = 0.0;
  for (const LawNode& node : fit.nodes) {
    const double spread = node.element_sd * node.element_sd + node.group_sd * node.group_sd;
    const double cross = there.dot(node.covariance * here) + there.dot(node.shared_covariance);
    const double reading = here.dot(node.covariance * here) + 2.0 * here.dot(node.shared_covariance) +
                           node.shared_variance + spread + u * u;
    const double law = there.dot(node.covariance * there) - cross * cross / reading;
    const double off = there.dot(node.mean - fit.mean);
    variance += node.weight * (law + spread + off * off);
  }
  return std::sqrt(variance);
}

double LeverageRatio(const LawFit& fit, const std::vector<double>& x,
                     const std::vector<std::vector<double>>& rows) {
  const auto variance = [&](const std::vector<double>& at) {
    const Eigen::VectorXd away = Away(fit, at);
    return away.dot(fit.covariance * away);
  };
  double largest = 0.0;
  for (const std::vector<double>& row : rows) largest = std::max(largest, variance(row));
  return largest > 0.0 ? variance(x) / largest : INFINITY;
}

}  // namespace conebook::calib
