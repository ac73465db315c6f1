#include "calib/convex_hull.h"

#include <algorithm>
#include <cmath>
#include <stdexcept>

#include <Eigen/Dense>

namespace conebook::calib {

HullDistance DistanceFromHull(const std::vector<std::vector<double>>& points, const std::vector<double>& x) {
  if (points.empty()) throw std::logic_error("hull of no points");
  // Shares >= 0 that add to 1: the last row, weighed so heavily that it holds to some parts in a thousand
  // million.
  const auto d = static_cast<Eigen::Index>(x.size()), n = static_cast<Eigen::Index>(points.size());
  double span = 0.0;
  for (const std::vector<double>& point : points)
    for (std::size_t j = 0; j < x.size(); ++j) span = std::max(span, std::abs(point[j] - x[j]));
  HullDistance out;
  if (!(span > 0.0)) {
    out.nearest = x;
    return out;
  }
  const double heavy = 1e4 * span;
  Eigen::MatrixXd a(d + 1, n);
  for (Eigen::Index i = 0; i < n; ++i) {
    for (Eigen::Index j = 0; j < d; ++j)
      a(j, i) =
          points[static_cast<std::size_t>(i)][static_cast<std::size_t>(j)] - x[static_cast<std::size_t>(j)];
    a(d, i) = heavy;
  }
  Eigen::VectorXd b = Eigen::VectorXd::Zero(d + 1);
  b[d] = heavy;
  Eigen::VectorXd share = Eigen::VectorXd::Zero(n);
  std::vector<Eigen::Index> in;
  const double tolerance = 1e-12 * heavy * heavy;
  for (int round = 0; round < 50 * static_cast<int>(d + 2); ++round) {
    const Eigen::VectorXd gain = a.transpose() * (b - a * share);
    Eigen::Index enters = -1;
    for (Eigen::Index i = 0; i < n; ++i) {
      if (std::find(in.begin(), in.end(), i) != in.end()) continue;
      if (gain[i] > tolerance && (enters < 0 || gain[i] > gain[enters])) enters = i;
    }
    if (enters < 0) break;
    in.push_back(enters);
    for (;;) {
      Eigen::MatrixXd used(d + 1, static_cast<Eigen::Index>(in.size()));
      for (std::size_t k = 0; k < in.size(); ++k) used.col(static_cast<Eigen::Index>(k)) = a.col(in[k]);
      const Eigen::VectorXd wanted = used.colPivHouseholderQr().solve(b);
      double step = 1.0;
      for (std::size_t k = 0; k < in.size(); ++k) {
        const double to = wanted[static_cast<Eigen::Index>(k)], from = share[in[k]];
        if (to <= 0.0) step = std::min(step, from / std::max(from - to, 1e-300));
      }
      for (std::size_t k = 0; k < in.size(); ++k)
        share[in[k]] += step * (wanted[static_cast<Eigen::Index>(k)] - share[in[k]]);
      if (step >= 1.0) break;
      std::erase_if(in, [&](Eigen::Index i) {
        if (share[i] > 1e-14) return false;
        share[i] = 0.0;
        return true;
      });
      if (in.empty()) break;
    }
  }
  Eigen::VectorXd off = a.topRows(d) * share;
  const double sum = share.sum();
  if (sum > 0.0) off /= sum;
  out.distance = off.norm();
  for (Eigen::Index j = 0; j < d; ++j) out.nearest.push_back(x[static_cast<std::size_t>(j)] + off[j]);
  return out;
}

}  // namespace conebook::calib
