#include "vision/blurred_disc.h"

#include <algorithm>
#include <cmath>
#include <numbers>

namespace conebook::vision {
namespace {

// exp(-x) I0(x); beyond 30 the first terms of the asymptotic series (Abramowitz and Stegun 9.7.1, from
// memory).
double ScaledI0(double x) {
  if (x < 30.0) return std::exp(-x) * std::cyl_bessel_i(0.0, x);
  const double t = 1.0 / (8.0 * x);
  return (1.0 + t * (1.0 + 4.5 * t * (1.0 + 25.0 / 3.0 * t))) / std::sqrt(2.0 * std::numbers::pi * x);
}

double ContourRadius(double share, double blur) {
  if (ShadeOfDisc(0.0, blur) <= share) return 0.0;
  double inside = 0.0;
  double outside = 1.0 + 6.0 * blur;
  constexpr int kHalvings = 40;
  for (int k = 0; k < kHalvings; ++k) {
    const double middle = 0.5 * (inside + outside);
    (ShadeOfDisc(middle, blur) > share ? inside : outside) = middle;
  }
  return 0.5 * (inside + outside);
}

}  // namespace

double ShadeOfDisc(double r, double blur) {
  // The integrand is narrow about r: Simpson's rule over where it is not nothing.
  const double from = std::max(0.0, r - 9.0 * blur);
  const double to = std::min(1.0, r + 9.0 * blur);
  if (to <= from) return 0.0;
  constexpr int kParts = 240;
  const double step = (to - from) / kParts;
  const auto density = [&](double rho) {
    const double apart = (rho - r) / blur;
    return rho / (blur * blur) * std::exp(-0.5 * apart * apart) * ScaledI0(r * rho / (blur * blur));
  };
  double sum = density(from) + density(to);
  for (int k = 1; k < kParts; ++k) sum += (k % 2 == 1 ? 4.0 : 2.0) * density(from + k * step);
  return sum * step / 3.0;
}

BlurredDiscs::BlurredDiscs() {
  constexpr double kLeast = 0.01, kStep = 0.01, kMost = 0.63;  // at 0.645 the contour of 0.7 is gone
  for (double blur = kLeast; blur < kMost; blur += kStep) {
    const double half = ContourRadius(0.5, blur);
    rows_.push_back({blur, half, (ContourRadius(0.3, blur) - ContourRadius(0.7, blur)) / half});
  }
}

std::optional<double> BlurredDiscs::BlurOfRadius(double edge_part) const {
  const auto above =
      std::find_if(rows_.begin(), rows_.end(), [&](const Row& row) { return row.edge >= edge_part; });
  if (above == rows_.end()) return std::nullopt;
  if (above == rows_.begin()) return rows_.front().blur * std::max(0.0, edge_part / rows_.front().edge);
  const Row& a = *(above - 1);
  return a.blur + (above->blur - a.blur) * (edge_part - a.edge) / (above->edge - a.edge);
}

double BlurredDiscs::ContourPart(double blur) const {
  if (blur <= rows_.front().blur) return 1.0 - 0.5 * blur * blur;
  const auto above =
      std::find_if(rows_.begin(), rows_.end(), [&](const Row& row) { return row.blur >= blur; });
  if (above == rows_.end()) return rows_.back().contour;
  const Row& a = *(above - 1);
  return a.contour + (above->contour - a.contour) * (blur - a.blur) / (above->blur - a.blur);
}

}  // namespace conebook::vision
