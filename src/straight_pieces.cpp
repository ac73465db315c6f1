#include "src/straight_pieces.h"

#include <algorithm>
#include <cmath>
#include <limits>

namespace conebook::src {
namespace {

constexpr std::size_t kLongestPiece =
    1500;  // bounds the work on a log of hours; longer plateaus are joined later

// Sums over a piece relative to its own first value, so that precision does not depend on the clock's origin.
struct Sums {
  double n = 0.0, t = 0.0, y = 0.0, tt = 0.0, ty = 0.0, yy = 0.0;
  void Add(double dt, double dy) {
    n += 1.0;
    t += dt;
    y += dy;
    tt += dt * dt;
    ty += dt * dy;
    yy += dy * dy;
  }
  double ResidualSs() const {
    const double stt = tt - t * t / n, sty = ty - t * y / n, syy = yy - y * y / n;
    return std::max(0.0, stt > 0.0 ? syy - sty * sty / stt : syy);
  }
};

double Quantile(std::vector<double> values, double share) {
  if (values.empty()) return 0.0;
  const auto at = static_cast<std::size_t>(share * static_cast<double>(values.size() - 1) + 0.5);
  std::nth_element(values.begin(), values.begin() + static_cast<std::ptrdiff_t>(at), values.end());
  return values[at];
}

}  // namespace

StraightPiece FitPiece(const std::vector<double>& t, const std::vector<double>& values, std::size_t first,
                       std::size_t last) {
  Sums sums;
  for (std::size_t i = first; i <= last; ++i) sums.Add(t[i] - t[first], values[i] - values[first]);
  StraightPiece piece;
  piece.first = first;
  piece.last = last;
  piece.mean_t = t[first] + sums.t / sums.n;
  piece.mean = values[first] + sums.y / sums.n;
  const double stt = sums.tt - sums.t * sums.t / sums.n;
  if (stt > 0.0) piece.slope = (sums.ty - sums.t * sums.y / sums.n) / stt;
  piece.residual_ss = sums.ResidualSs();
  return piece;
}

std::vector<StraightPiece> CutIntoStraightPieces(const std::vector<double>& t,
                                                 const std::vector<double>& values, double noise_sd) {
  const std::size_t n = values.size();
  if (n == 0) return {};
  // Three numbers describe a piece (level, slope, where it ends).
  const double price = 3.0 * std::log(static_cast<double>(std::max<std::size_t>(n, 3))) + 6.0;
  const double variance = noise_sd * noise_sd;
  std::vector<double> best(n + 1, std::numeric_limits<double>::infinity());
  std::vector<std::size_t> start_of(n + 1, 0);
  best[0] = 0.0;
  for (std::size_t end = 1; end <= n; ++end) {
    Sums sums;  // grows backwards from the piece's last value
    for (std::size_t length = 1; length <= std::min(end, kLongestPiece); ++length) {
      const std::size_t first = end - length;
      sums.Add(t[first] - t[end - 1], values[first] - values[end - 1]);
      if (length < 2 && end < n) continue;
      const double cost = best[first] + price + sums.ResidualSs() / variance;
      if (cost < best[end]) {
        best[end] = cost;
        start_of[end] = first;
      }
    }
  }
  std::vector<StraightPiece> pieces;
  for (std::size_t end = n; end > 0; end = start_of[end])
    pieces.push_back(FitPiece(t, values, start_of[end], end - 1));
  std::reverse(pieces.begin(), pieces.end());
  return pieces;
}

double EstimateNoise(const std::vector<double>& t, const std::vector<double>& values, std::size_t window) {
  // 1.4826: from median absolute deviation to sd; the second difference of white noise has six times its
  // variance. The smaller of two lags: ripple near half the logging rate inflates the one, ripple at a
  // quarter the other.
  double quick = std::numeric_limits<double>::infinity();
  for (const std::size_t lag : {std::size_t{1}, std::size_t{2}}) {
    std::vector<double> bends;
    for (std::size_t i = 2 * lag; i < values.size(); ++i) {
      bends.push_back(std::abs(values[i] - 2.0 * values[i - lag] + values[i - 2 * lag]));
    }
    if (!bends.empty()) quick = std::min(quick, 1.4826 * Quantile(bends, 0.5) / std::sqrt(6.0));
  }
  if (!std::isfinite(quick)) quick = 0.0;
  std::vector<double> scatters;
  if (window >= 4) {
    for (std::size_t i = 0; i + window <= values.size(); i += std::max<std::size_t>(1, window / 4)) {
      scatters.push_back(
          std::sqrt(FitPiece(t, values, i, i + window - 1).residual_ss / static_cast<double>(window - 2)));
    }
  }
  // A quarter of all windows lies inside plateaus, free of steps, in any log worth measuring.
  return std::max(quick, Quantile(scatters, 0.25));
}

}  // namespace conebook::src
