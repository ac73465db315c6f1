// The two distributions of calib/drop_statistics.h.
#include <algorithm>
#include <cmath>
#include <map>

#include <Eigen/Core>
#include <Eigen/LU>
#include <boost/math/distributions/normal.hpp>

#include "calib/drop_statistics.h"

namespace conebook::calib {
namespace {

double NormalShare(double z) {
  return 0.5 * std::erfc(-z / std::sqrt(2.0));
}

// phi(z) / (1 - Phi(z)); far out by its asymptote, where the quotient would be 0 / 0.
double Hazard(double z) {
  if (z > 25.0) return z + 1.0 / z - 2.0 / (z * z * z);
  return std::exp(-0.5 * z * z) / std::sqrt(2.0 * 3.14159265358979324) /
         (0.5 * std::erfc(z / std::sqrt(2.0)));
}

struct Kept {
  std::vector<double> d, amount;
  std::vector<int> frame;  // empty: every drop for itself
};

Kept Keep(const DropSample& sample, double cutoff_um, int power) {
  Kept k;
  for (std::size_t i = 0; i < sample.diameter_um.size(); ++i) {
    const double d = sample.diameter_um[i];
    if (!(d >= cutoff_um)) continue;
    k.d.push_back(d);
    k.amount.push_back((sample.weight.empty() ? 1.0 : sample.weight[i]) * std::pow(d, power));
    if (!sample.frame.empty()) k.frame.push_back(sample.frame[i]);
  }
  return k;
}

// Covariance of two parameters from each unit's score and its derivative (central differences): what leaving
// the unit out would change, to one Newton step, summed as the jackknife does. It falls less short than the
// plain sandwich where few large drops carry a fit by volume. Nothing where the derivative has no inverse.
template <typename Score>
std::optional<Eigen::Matrix2d> CovarianceOf(const Kept& kept, const Eigen::Vector2d& at, const Score& score) {
  struct Unit {
    Eigen::Vector2d g = Eigen::Vector2d::Zero();
    Eigen::Matrix2d h = Eigen::Matrix2d::Zero();
  };
  std::map<int, Unit> units;
  Eigen::Matrix2d all = Eigen::Matrix2d::Zero();
  for (std::size_t i = 0; i < kept.d.size(); ++i) {
    Unit& unit = units[kept.frame.empty() ? static_cast<int>(i) : kept.frame[i]];
    unit.g += kept.amount[i] * score(kept.d[i], at);
    for (int k = 0; k < 2; ++k) {
      const double step = 1e-5 * std::max(std::abs(at[k]), 1e-3);
      Eigen::Vector2d up = at, down = at;
      up[k] += step;
      down[k] -= step;
      const Eigen::Vector2d change =
          kept.amount[i] * (score(kept.d[i], up) - score(kept.d[i], down)) / (2.0 * step);
      unit.h.col(k) += change;
      all.col(k) += change;
    }
  }
  if (units.size() < 3 || !Eigen::FullPivLU<Eigen::Matrix2d>(all).isInvertible()) return std::nullopt;
  Eigen::Matrix2d covariance = Eigen::Matrix2d::Zero();
  for (const auto& [key, unit] : units) {
    const Eigen::FullPivLU<Eigen::Matrix2d> lu(all - unit.h);
    if (!lu.isInvertible()) return std::nullopt;
    const Eigen::Vector2d change = lu.solve(unit.g);
    covariance += change * change.transpose();
  }
  if (!covariance.allFinite()) return std::nullopt;
  return covariance;
}

// Variances of X and q that the fitted distribution itself lets expect from as much volume. A sample that
// happens to lack large drops fits a steep curve and scatters little: its own drops then say too small a u.
template <typename Score>
Eigen::Vector2d ExpectedVariance(const Kept& kept, double volume, const RosinRammlerFit& fit,
                                 double cutoff_um, const Score& score) {
  double weighted = 0.0;
  for (std::size_t i = 0; i < kept.d.size(); ++i)
    weighted += kept.amount[i] * kept.amount[i] / std::pow(kept.d[i], 3);
  const double weight = weighted / volume;  // of a drop, mean by volume
  const double y_cut = cutoff_um > 0.0 ? std::pow(cutoff_um / fit.x_um, fit.q) : 0.0;
  Eigen::Matrix2d h = Eigen::Matrix2d::Zero(), j = Eigen::Matrix2d::Zero();
  constexpr double kStep = 0.005;
  for (double t = 0.5 * kStep; t < 40.0;
       t += kStep) {  // (d / X)^q less that of the cut-off: exponential by volume
    const double d = fit.x_um * std::pow(y_cut + t, 1.0 / fit.q);
    const Eigen::Vector2d own = score(d, {fit.x_um, fit.q});
    const double share = std::exp(-t) * kStep;
    h += share * own * own.transpose();
    j += share * weight * std::pow(d, 3) * own * own.transpose();
  }
  const Eigen::Matrix2d inverse = h.inverse();
  return (inverse * j * inverse).diagonal() / volume;
}

// Largest distance between the drops' cumulated volume and the fit's.
template <typename Cumulated>
double LargestGap(const Kept& kept_volume, const Cumulated& cumulated) {
  std::vector<std::size_t> order(kept_volume.d.size());
  for (std::size_t i = 0; i < order.size(); ++i) order[i] = i;
  std::stable_sort(order.begin(), order.end(),
                   [&](std::size_t a, std::size_t b) { return kept_volume.d[a] < kept_volume.d[b]; });
  double total = 0.0;
  for (const double v : kept_volume.amount) total += v;
  double before = 0.0, gap = 0.0;
  for (const std::size_t i : order) {
    const double fit = cumulated(kept_volume.d[i]);
    const double after = before + kept_volume.amount[i] / total;
    gap = std::max({gap, std::abs(fit - before), std::abs(fit - after)});
    before = after;
  }
  return gap;
}

}  // namespace

double LogNormalFit::MeanUm(double p, double q) const {
  return median_um * std::exp(0.5 * (p + q) * sigma_ln * sigma_ln);
}

double LogNormalFit::VolumePercentileUm(double share) const {
  const double z = boost::math::quantile(boost::math::normal_distribution<double>(), share);
  return median_um * std::exp(3.0 * sigma_ln * sigma_ln + z * sigma_ln);
}

std::optional<double> RosinRammlerFit::MeanUm(double a, double b) const {
  if (!(a > 3.0 - q) || !(b > 3.0 - q) || a == b) return std::nullopt;
  const double ratio = std::tgamma(1.0 + (a - 3.0) / q) / std::tgamma(1.0 + (b - 3.0) / q);
  return x_um * std::pow(ratio, 1.0 / (a - b));
}

double RosinRammlerFit::VolumePercentileUm(double share) const {
  return x_um * std::pow(-std::log1p(-share), 1.0 / q);
}

std::optional<LogNormalFit> FitLogNormal(const DropSample& sample, double cutoff_um) {
  const Kept kept = Keep(sample, cutoff_um, 0);
  double n = 0.0, mean = 0.0, variance = 0.0;
  for (std::size_t i = 0; i < kept.d.size(); ++i) {
    n += kept.amount[i];
    mean += kept.amount[i] * std::log(kept.d[i]);
  }
  mean /= n;
  for (std::size_t i = 0; i < kept.d.size(); ++i)
    variance += kept.amount[i] * (std::log(kept.d[i]) - mean) * (std::log(kept.d[i]) - mean) / n;
  if (kept.d.size() < 3 || !(variance > 1e-12)) return std::nullopt;

  double mu = mean;
  double s = std::sqrt(variance);
  const bool cut = cutoff_um > 0.0;
  const double ln_cut = cut ? std::log(cutoff_um) : 0.0;
  if (cut && ln_cut > mean - 8.0 * s) {
    // Moments of a normal cut off at alpha (in its own standard deviations): variance over squared distance
    // of the mean from the cut rises from 0 to 1 (an exponential tail) with alpha; near 1 the mode is out of
    // sight.
    const double seen = variance / ((mean - ln_cut) * (mean - ln_cut));
    if (!(seen < 0.9)) return std::nullopt;
    double lo = -12.0, hi = 12.0;
    for (int i = 0; i < 80; ++i) {
      const double alpha = 0.5 * (lo + hi);
      const double h = Hazard(alpha);
      (((1.0 + alpha * h - h * h) / ((h - alpha) * (h - alpha)) < seen) ? lo : hi) = alpha;
    }
    const double alpha = 0.5 * (lo + hi);
    s = (mean - ln_cut) / (Hazard(alpha) - alpha);
    mu = ln_cut - alpha * s;
  }
  const auto score = [&](double d, const Eigen::Vector2d& theta) {
    const double z = (std::log(d) - theta[0]) / theta[1];
    const double alpha = cut ? (ln_cut - theta[0]) / theta[1] : -40.0;
    const double h = Hazard(alpha);
    return Eigen::Vector2d((z - h) / theta[1], (z * z - 1.0 - h * alpha) / theta[1]);
  };
  const auto covariance = CovarianceOf(kept, {mu, s}, score);
  if (!covariance) return std::nullopt;
  LogNormalFit fit;
  fit.median_um = std::exp(mu);
  fit.u_median_um = fit.median_um * std::sqrt((*covariance)(0, 0));
  fit.sigma_ln = s;
  fit.u_sigma_ln = std::sqrt((*covariance)(1, 1));
  const double mu3 = mu + 3.0 * s * s;
  const double hidden = cut ? NormalShare((ln_cut - mu3) / s) : 0.0;
  fit.largest_gap = LargestGap(Keep(sample, cutoff_um, 3), [&](double d) {
    return (NormalShare((std::log(d) - mu3) / s) - hidden) / (1.0 - hidden);
  });
  return fit;
}

std::optional<RosinRammlerFit> FitRosinRammler(const DropSample& sample, double cutoff_um) {
  const Kept kept = Keep(sample, cutoff_um, 3);
  if (kept.d.size() < 3) return std::nullopt;
  const auto [smallest, largest] = std::minmax_element(kept.d.begin(), kept.d.end());
  if (!(*largest > *smallest * (1.0 + 1e-9))) return std::nullopt;
  const double unit = *largest;  // powers of d / unit stay at or below 1
  double volume = 0.0, mean_ln = 0.0;
  for (std::size_t i = 0; i < kept.d.size(); ++i) {
    volume += kept.amount[i];
    mean_ln += kept.amount[i] * std::log(kept.d[i] / unit);
  }
  mean_ln /= volume;
  const double cut = cutoff_um / unit;
  // For a given q the best X^q is the mean of d^q - cut^q.
  const auto x_to_q = [&](double q) {
    double sum = 0.0;
    for (std::size_t i = 0; i < kept.d.size(); ++i) sum += kept.amount[i] * std::pow(kept.d[i] / unit, q);
    return sum / volume - (cut > 0.0 ? std::pow(cut, q) : 0.0);
  };
  // Derivative of the profile likelihood, a drop's worth: falls with q.
  const auto slope = [&](double q) {
    double sum = 0.0;
    for (std::size_t i = 0; i < kept.d.size(); ++i) {
      const double d = kept.d[i] / unit;
      sum += kept.amount[i] * std::pow(d, q) * std::log(d);
    }
    sum /= volume;
    if (cut > 0.0) sum -= std::pow(cut, q) * std::log(cut);
    return 1.0 / q + mean_ln - sum / x_to_q(q);
  };
  double lo = 0.05, hi = 40.0;
  if (!(slope(lo) > 0.0) || !(slope(hi) < 0.0)) return std::nullopt;
  for (int i = 0; i < 60; ++i) {
    const double q = 0.5 * (lo + hi);
    (slope(q) > 0.0 ? lo : hi) = q;
  }
  RosinRammlerFit fit;
  fit.q = 0.5 * (lo + hi);
  fit.x_um = unit * std::pow(x_to_q(fit.q), 1.0 / fit.q);
  const auto score = [&](double d, const Eigen::Vector2d& theta) {
    const double x = theta[0];
    const double q = theta[1];
    const double y = std::pow(d / x, q);
    const double c = cutoff_um > 0.0 ? std::pow(cutoff_um / x, q) : 0.0;
    const double c_ln_c = cutoff_um > 0.0 ? c * std::log(cutoff_um / x) : 0.0;
    return Eigen::Vector2d(q / x * (y - c - 1.0), 1.0 / q + std::log(d / x) * (1.0 - y) + c_ln_c);
  };
  const auto covariance = CovarianceOf(kept, {fit.x_um, fit.q}, score);
  if (!covariance) return std::nullopt;
  const Eigen::Vector2d expected = ExpectedVariance(kept, volume, fit, cutoff_um, score);
  fit.u_x_um = std::sqrt(std::max((*covariance)(0, 0), expected[0]));
  fit.u_q = std::sqrt(std::max((*covariance)(1, 1), expected[1]));
  const double hidden = cutoff_um > 0.0 ? -std::expm1(-std::pow(cutoff_um / fit.x_um, fit.q)) : 0.0;
  fit.largest_gap = LargestGap(kept, [&](double d) {
    return (-std::expm1(-std::pow(d / fit.x_um, fit.q)) - hidden) / (1.0 - hidden);
  });
  return fit;
}

}  // namespace conebook::calib
