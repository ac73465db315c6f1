#include "vision/hyperboloid.h"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <vector>

namespace conebook::vision {
namespace {

constexpr double kDegPerRad = 180.0 / std::numbers::pi;

// c of the best fit for one a.
HyperboloidFit FitForAngle(std::span<const double> z, std::span<const double> h, double r0, double tan_a) {
  const auto n = static_cast<double>(z.size());
  double sum = 0.0;
  double squares = 0.0;
  for (std::size_t i = 0; i < z.size(); ++i) {
    const double y = h[i] - std::sqrt(r0 * r0 + z[i] * z[i] * tan_a * tan_a);
    sum += y;
    squares += y * y;
  }
  return {tan_a, sum / n, squares - sum * sum / n};
}

// Near its minimum the residual is flat to half of the digits: Gauss and Newton find the rest.
double Polished(std::span<const double> z, std::span<const double> h, double r0, double tan_a) {
  constexpr int kSteps = 4;
  const auto n = static_cast<double>(z.size());
  for (int step = 0; step < kSteps; ++step) {
    double sd = 0.0, se = 0.0, sdd = 0.0, sde = 0.0;
    for (std::size_t i = 0; i < z.size(); ++i) {
      const double r = std::hypot(r0, z[i] * tan_a);
      const double d = z[i] * z[i] * tan_a / r;
      const double e = h[i] - r;
      sd += d;
      se += e;
      sdd += d * d;
      sde += d * e;
    }
    const double by = (sde - sd * se / n) / (sdd - sd * sd / n);
    if (!std::isfinite(by)) break;
    tan_a += by;
  }
  return tan_a;
}

}  // namespace

double OverAsymptote(double r0, double tan_a, double z) {
  const double out = std::abs(tan_a * z);
  return std::hypot(r0, out) - out;
}

std::optional<HyperboloidFit> FitHyperboloid(std::span<const double> z, std::span<const double> h,
                                             double r0) {
  if (z.size() < 8 || z.size() != h.size()) return std::nullopt;
  // Golden section over the angle between 2 and 80 degrees; the residual has one minimum there.
  const double golden = 0.5 * (std::sqrt(5.0) - 1.0);
  double lo = 2.0 / kDegPerRad;
  double hi = 80.0 / kDegPerRad;
  double a = hi - golden * (hi - lo);
  double b = lo + golden * (hi - lo);
  HyperboloidFit fa = FitForAngle(z, h, r0, std::tan(a));
  HyperboloidFit fb = FitForAngle(z, h, r0, std::tan(b));
  for (int i = 0; i < 60; ++i) {
    if (fa.residual < fb.residual) {
      hi = b;
      b = a;
      fb = fa;
      a = hi - golden * (hi - lo);
      fa = FitForAngle(z, h, r0, std::tan(a));
    } else {
      lo = a;
      a = b;
      fa = fb;
      b = lo + golden * (hi - lo);
      fb = FitForAngle(z, h, r0, std::tan(b));
    }
  }
  const HyperboloidFit& best = fa.residual < fb.residual ? fa : fb;
  const HyperboloidFit polished = FitForAngle(z, h, r0, Polished(z, h, r0, best.tan_a));
  constexpr double kNoWorse = 1.0 + 1e-6;  // worse only where the search had ended at its bounds
  return polished.residual <= kNoWorse * best.residual + 1e-12 ? polished : best;
}

Line LineThroughHyperboloid(double r0, double tan_a, double near, double far) {
  constexpr int kSteps = 60;
  std::vector<double> z;
  std::vector<double> r;
  for (int i = 0; i <= kSteps; ++i) {
    z.push_back(near + (far - near) * i / kSteps);
    r.push_back(std::sqrt(r0 * r0 + z.back() * z.back() * tan_a * tan_a));
  }
  RobustLineOptions options;
  options.floor = 1e9;  // no point is odd
  return FitRobustLine(z, r, options).value_or(Line{});
}

}  // namespace conebook::vision
