#include "calib/abel.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <numbers>
#include <random>
#include <stdexcept>

#include <Eigen/Eigenvalues>
#include <Eigen/LU>
#include <fmt/format.h>

namespace conebook::calib {
namespace {

constexpr int kLeastSamples = 12;

// int r dr / sqrt(r^2 - x^2) and int r^2 dr / sqrt(r^2 - x^2), from the ray's nearest point to radius r.
double FirstMoment(double r, double x) {
  return r > x ? std::sqrt(r * r - x * x) : 0.0;
}
double SecondMoment(double r, double x) {
  if (!(r > x)) return 0.0;
  const double a = std::sqrt(r * r - x * x);
  return 0.5 * (r * a + (x > 0.0 ? x * x * std::log((r + a) / x) : 0.0));
}

// What a ray at x takes from a unit of f at each radius.
Eigen::RowVectorXd Ray(const std::vector<double>& radius, double x) {
  const double at = std::abs(x);
  Eigen::RowVectorXd row = Eigen::RowVectorXd::Zero(static_cast<Eigen::Index>(radius.size()));
  for (std::size_t k = 0; k + 1 < radius.size(); ++k) {
    const double r0 = radius[k];
    const double r1 = radius[k + 1];
    if (r1 <= at) continue;
    const double m1 = FirstMoment(r1, at) - FirstMoment(r0, at);
    const double m2 = SecondMoment(r1, at) - SecondMoment(r0, at);
    const auto i = static_cast<Eigen::Index>(k);
    row[i] += 2.0 * (r1 * m1 - m2) / (r1 - r0);
    row[i + 1] += 2.0 * (m2 - r0 * m1) / (r1 - r0);
  }
  return row;
}

// Second differences of f over unit steps; the last radius is zero and no unknown; on the axis f is level, so
// the neighbour mirrored at -r is the one at r.
Eigen::MatrixXd Curvature(Eigen::Index unknowns) {
  Eigen::MatrixXd l = Eigen::MatrixXd::Zero(unknowns, unknowns);
  for (Eigen::Index k = 0; k < unknowns; ++k) {
    l(k, k) = -2.0;
    if (k > 0) l(k, k - 1) = 1.0;
    if (k + 1 < unknowns) l(k, k + 1) = 1.0;
  }
  if (unknowns > 1) l(0, 1) = 2.0;
  return l;
}

struct Peak {
  double radius = 0.0, value = 0.0, hollowness = 0.0;
};

// Where f is largest, by the parabola through the largest radius and its neighbours, and how hollow it is
// inside.
Peak PeakOf(const Eigen::VectorXd& f, double step) {
  Eigen::Index k = 0;
  f.maxCoeff(&k);
  Peak peak{static_cast<double>(k) * step, f[k], 0.0};
  const double before = k > 0 ? f[k - 1] : (f.size() > 1 ? f[1] : 0.0);
  const double after = k + 1 < f.size() ? f[k + 1] : 0.0;
  const double bend = before - 2.0 * f[k] + after;
  if (k > 0 && bend < 0.0) {
    const double shift = 0.5 * (before - after) / bend;
    peak.radius += shift * step;
    peak.value -= 0.25 * (before - after) * shift;
  }
  // Mean over the disc: int f r dr / int r dr, exact for the piecewise linear f.
  const double inner = 0.5 * peak.radius;
  if (!(inner > 0.0)) return peak;
  double sum = 0.0;
  for (Eigen::Index i = 0; i + 1 <= f.size(); ++i) {
    const double r0 = static_cast<double>(i) * step;
    if (r0 >= inner) break;
    const double r1 = std::min(r0 + step, inner);
    const double next = i + 1 < f.size() ? f[i + 1] : 0.0;
    const double slope = (next - f[i]) / step;
    const double level = f[i] - slope * r0;
    sum += 0.5 * level * (r1 * r1 - r0 * r0) + slope * (r1 * r1 * r1 - r0 * r0 * r0) / 3.0;
  }
  peak.hollowness = 1.0 - sum / (0.5 * inner * inner) / peak.value;
  return peak;
}

double Normal(std::mt19937_64& random) {
  const auto uniform = [&] { return (static_cast<double>(random() >> 11) + 0.5) * 0x1p-53; };
  const double radius = std::sqrt(-2.0 * std::log(uniform()));
  return radius * std::cos(2.0 * std::numbers::pi * uniform());
}

double RootMeanSquare(const std::vector<double>& draws, double about) {
  double sum = 0.0;
  for (const double x : draws) sum += (x - about) * (x - about);
  return std::sqrt(sum / static_cast<double>(draws.size()));
}

Quantity OwnNoise(double value, double u) {
  return Combine(value, {{"noise and smoothing of the profile", u, Shared::kFrames,
                          std::numeric_limits<double>::infinity()}});
}

AbelResult Invert(const std::vector<double>& x_mm, const std::vector<double>& p, std::optional<double> u,
                  const AbelOptions& options) {
  const auto samples = static_cast<Eigen::Index>(x_mm.size());
  if (samples < kLeastSamples) return NoInversion::kTooFewSamples;
  double outer = options.outer_mm;
  double largest = 0.0;
  std::vector<std::pair<double, double>> by_distance;  // from the axis, absorbance
  for (Eigen::Index i = 0; i < samples; ++i) {
    if (!std::isfinite(x_mm[static_cast<std::size_t>(i)]) || !std::isfinite(p[static_cast<std::size_t>(i)]))
      return NoInversion::kNotFinite;
    by_distance.emplace_back(std::abs(x_mm[static_cast<std::size_t>(i)]), p[static_cast<std::size_t>(i)]);
    largest = std::max(largest, p[static_cast<std::size_t>(i)]);
  }
  std::sort(by_distance.begin(), by_distance.end());
  const double farthest = by_distance.back().first;
  if (!(outer > 0.0)) {
    const auto [left, right] = std::minmax_element(x_mm.begin(), x_mm.end());
    outer = farthest + 0.5 * (*right - *left) / static_cast<double>(samples - 1);
  }
  if (!(largest > 0.0) || !(outer > 0.0)) return NoInversion::kNoAbsorbance;

  RadialExtinction result;
  constexpr int kOutermost = 6;
  for (int i = 0; i < kOutermost; ++i)
    result.edge_share +=
        by_distance[by_distance.size() - 1 - static_cast<std::size_t>(i)].second / largest / kOutermost;
  const Eigen::Index n = std::clamp<Eigen::Index>(samples / 2, 6, options.radii);
  const double step = outer / static_cast<double>(n);
  for (Eigen::Index k = 0; k <= n; ++k) result.radius_mm.push_back(step * static_cast<double>(k));
  Eigen::MatrixXd a(samples, n);
  Eigen::VectorXd y(samples);
  for (Eigen::Index i = 0; i < samples; ++i) {
    a.row(i) = Ray(result.radius_mm, x_mm[static_cast<std::size_t>(i)]).head(n);
    y[i] = p[static_cast<std::size_t>(i)];
  }
  // With g = L f the penalty is |g|^2 and the data see B = A L^-1: one eigenproblem serves every strength.
  const Eigen::MatrixXd l = Curvature(n);
  const Eigen::MatrixXd l_inverse = l.inverse();
  const Eigen::MatrixXd b = a * l_inverse;
  const Eigen::SelfAdjointEigenSolver<Eigen::MatrixXd> eigen(b.transpose() * b);
  const Eigen::VectorXd e = eigen.eigenvalues().cwiseMax(0.0);
  const Eigen::VectorXd c = eigen.eigenvectors().transpose() * (b.transpose() * y);
  const double yy = y.squaredNorm();

  // Strength s: g has variance noise / s. -2 ln of the marginal likelihood, up to a constant.
  const auto sum_of_squares = [&](double s) {  // y' (I + B B' / s)^-1 y
    double sum = yy;
    for (Eigen::Index k = 0; k < n; ++k) sum -= c[k] * c[k] / (e[k] + s);
    return std::max(sum, 1e-14 * yy);
  };
  const auto log_determinant = [&](double s) {
    double sum = 0.0;
    for (Eigen::Index k = 0; k < n; ++k) sum += std::log1p(e[k] / s);
    return sum;
  };
  const auto cost = [&](double ln_s) {
    const double s = std::exp(ln_s);
    const double q = sum_of_squares(s);
    return log_determinant(s) + (u ? q / (*u * *u) : static_cast<double>(samples) * std::log(q));
  };
  const double top = std::log(e.maxCoeff()) + 5.0;
  const double bottom = std::log(e.maxCoeff()) - 32.0;
  double best = top;
  for (double ln_s = top; ln_s >= bottom; ln_s -= 0.25)
    if (cost(ln_s) < cost(best)) best = ln_s;
  double lo = best - 0.25, hi = best + 0.25;
  for (int i = 0; i < 40; ++i) {
    const double third = (hi - lo) / 3.0;
    if (cost(lo + third) < cost(hi - third))
      hi -= third;
    else
      lo += third;
  }
  const double s = std::exp(0.5 * (lo + hi));
  const double noise = u ? *u : std::sqrt(sum_of_squares(s) / static_cast<double>(samples));

  const Eigen::VectorXd shrunk = (e.array() + s).inverse();
  const Eigen::MatrixXd map = l_inverse * eigen.eigenvectors();
  const Eigen::VectorXd f = map * shrunk.asDiagonal() * c;
  const Eigen::MatrixXd covariance = noise * noise * (map * shrunk.asDiagonal() * map.transpose());
  const Eigen::VectorXd through = (e.array() * shrunk.array().square()).matrix();
  const Eigen::MatrixXd noise_covariance = noise * noise * (map * through.asDiagonal() * map.transpose());
  result.strength = s;
  result.free_values = (e.array() * shrunk.array()).sum();
  result.u_absorbance = noise;
  result.chi_squared_per_dof = (y - a * f).squaredNorm() / (noise * noise) /
                               std::max(1.0, static_cast<double>(samples) - result.free_values);
  result.covariance = Eigen::MatrixXd::Zero(n + 1, n + 1);
  result.covariance.topLeftCorner(n, n) = covariance;
  for (Eigen::Index k = 0; k <= n; ++k) {
    result.extinction_per_mm.push_back(k < n ? f[k] : 0.0);
    result.u_per_mm.push_back(k < n ? std::sqrt(std::max(0.0, covariance(k, k))) : 0.0);
    result.u_noise_per_mm.push_back(k < n ? std::sqrt(std::max(0.0, noise_covariance(k, k))) : 0.0);
  }

  const Peak peak = PeakOf(f, step);
  if (!(peak.value > 0.0)) return NoInversion::kNoAbsorbance;
  const Eigen::MatrixXd spread = noise * (map * shrunk.cwiseSqrt().asDiagonal());
  std::mt19937_64 random(options.seed);
  std::vector<double> radius, value, hollowness;
  Eigen::VectorXd z(n);
  for (int draw = 0; draw < options.draws; ++draw) {
    for (Eigen::Index k = 0; k < n; ++k) z[k] = Normal(random);
    const Peak drawn = PeakOf(f + spread * z, step);
    if (!(drawn.value > 0.0)) continue;
    radius.push_back(drawn.radius);
    value.push_back(drawn.value);
    hollowness.push_back(drawn.hollowness);
  }
  if (radius.size() < 2) return NoInversion::kNoAbsorbance;
  result.peak_radius_mm = OwnNoise(peak.radius, RootMeanSquare(radius, peak.radius));
  result.peak_per_mm = OwnNoise(peak.value, RootMeanSquare(value, peak.value));
  result.hollowness = OwnNoise(peak.hollowness, RootMeanSquare(hollowness, peak.hollowness));
  result.peak_on_axis = peak.radius < std::max(1.5 * step, 2.0 * result.peak_radius_mm.u);
  return result;
}

void Check(const AbelProfile& profile, const AbelOptions& options) {
  if (const auto problem = options.Problem()) throw std::logic_error(*problem);
  if (profile.x_mm.size() != profile.absorbance.size())
    throw std::logic_error("Abel: places and absorbances differ in number");
  if (profile.u_absorbance && !(*profile.u_absorbance > 0.0))
    throw std::logic_error("Abel: u_absorbance must be above zero");
}

}  // namespace

std::optional<std::string> AbelOptions::Problem() const {
  if (!(outer_mm >= 0.0)) return fmt::format("outer_mm = {}: must be 0 or above", outer_mm);
  if (radii < 6) return fmt::format("radii = {}: must be 6 or above", radii);
  if (draws < 50) return fmt::format("draws = {}: must be 50 or above", draws);
  return std::nullopt;
}

const char* ReasonOf(NoInversion reason) {
  switch (reason) {
    case NoInversion::kTooFewSamples:
      return "too few samples across the spray";
    case NoInversion::kNoAbsorbance:
      return "the spray hides no light here";
    case NoInversion::kNotFinite:
      return "a sample is not a number: light fell to nothing";
  }
  return "";
}

AbelResult InvertAbel(const AbelProfile& profile, const AbelOptions& options) {
  Check(profile, options);
  return Invert(profile.x_mm, profile.absorbance, profile.u_absorbance, options);
}

AbelHalves InvertAbelHalves(const AbelProfile& profile, const AbelOptions& options) {
  Check(profile, options);
  std::vector<double> x_left, p_left, x_right, p_right;
  double left = 0.0, right = 0.0, outer = 0.0;
  for (std::size_t i = 0; i < profile.x_mm.size(); ++i) {
    const double x = profile.x_mm[i];
    const double p = profile.absorbance[i];
    outer = std::max(outer, std::abs(x));
    if (x <= 0.0) {
      x_left.push_back(x);
      p_left.push_back(p);
      left += x < 0.0 ? p : 0.0;
    }
    if (x >= 0.0) {
      x_right.push_back(x);
      p_right.push_back(p);
      right += x > 0.0 ? p : 0.0;
    }
  }
  AbelOptions same = options;  // one outer radius for both
  if (!(same.outer_mm > 0.0)) same.outer_mm = outer;
  AbelHalves result{Invert(x_left, p_left, profile.u_absorbance, same),
                    Invert(x_right, p_right, profile.u_absorbance, same), std::nullopt};
  const auto* l = std::get_if<RadialExtinction>(&result.left);
  const auto* r = std::get_if<RadialExtinction>(&result.right);
  if (l != nullptr && r != nullptr && left + right > 0.0) {
    // Of even samples: the sums stand for the areas.
    const double total = left + right;
    const double u_left = l->u_absorbance * std::sqrt(static_cast<double>(x_left.size()));
    const double u_right = r->u_absorbance * std::sqrt(static_cast<double>(x_right.size()));
    result.right_excess =
        OwnNoise(right / total - 0.5, std::hypot(left * u_right, right * u_left) / (total * total));
  }
  return result;
}

double ProjectAbel(const std::vector<double>& radius_mm, const std::vector<double>& extinction_per_mm,
                   double x_mm) {
  const Eigen::RowVectorXd row = Ray(radius_mm, x_mm);
  double sum = 0.0;
  for (std::size_t k = 0; k < extinction_per_mm.size(); ++k)
    sum += row[static_cast<Eigen::Index>(k)] * extinction_per_mm[k];
  return sum;
}

}  // namespace conebook::calib
