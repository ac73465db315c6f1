#include "vision/limb_shape.h"

#include <algorithm>
#include <array>
#include <cmath>

#include "vision/boundary.h"

namespace conebook::vision {
namespace {

constexpr double kShallowest = 0.01, kDeepest = 400.0;
constexpr int kKnots = 60;

double DepthAt(double knot) {
  return kShallowest * std::pow(kDeepest / kShallowest, knot / (kKnots - 1));
}

// The limb through a Gaussian of 1: integral over the depth d of exp(-sqrt(d / D)) phi(x + d). With d = v^2
// the cusp at the edge is gone, and Simpson's rule does.
class BlurredLimb {
 public:
  static constexpr double kDeepestPeak = 12.0;  // inwards of the edge

  explicit BlurredLimb(double depth) {
    constexpr double kReach = kDeepestPeak + 8.0;
    // Shallow limbs end long before that.
    const double last = std::min(std::sqrt(kReach), 40.0 * std::sqrt(depth));
    const double step = last / kSteps;
    for (int i = 0; i <= kSteps; ++i) {
      const double v = step * i;
      const double part = i == 0 || i == kSteps ? 1.0 : (i % 2 == 1 ? 4.0 : 2.0);
      const auto k = static_cast<std::size_t>(i);
      depth_[k] = v * v;
      weight_[k] = part * step / 3.0 * 2.0 * v * std::exp(-v / std::sqrt(depth)) * kGaussian;
    }
  }

  double At(double x) const {
    double sum = 0.0;
    for (std::size_t k = 0; k < depth_.size(); ++k) {
      const double at = x + depth_[k];
      sum += weight_[k] * std::exp(-0.5 * at * at);
    }
    return sum;
  }

 private:
  static constexpr int kSteps = 200;
  static constexpr double kGaussian = 0.3989422804014327;  // 1 / sqrt(2 pi)
  std::array<double, kSteps + 1> depth_{}, weight_{};
};

}  // namespace

double EdgeWidth(double outer, double inner, double outer_part, double inner_part) {
  return (outer - inner) / (std::sqrt(-2.0 * std::log(outer_part)) - std::sqrt(-2.0 * std::log(inner_part)));
}

LimbEdge EdgeOfLimb(double depth) {
  constexpr int kHalvings = 30;
  const BlurredLimb limb(depth);
  // One peak, found by thirds; outside of it the limb only falls.
  double lo = -BlurredLimb::kDeepestPeak;
  double hi = 1.0;
  for (int i = 0; i < kHalvings; ++i) {
    const double a = lo + (hi - lo) / 3.0;
    const double b = hi - (hi - lo) / 3.0;
    if (limb.At(a) < limb.At(b))
      lo = a;
    else
      hi = b;
  }
  const double top = 0.5 * (lo + hi);
  const double peak = limb.At(top);
  const auto crossing = [&](double part) {
    double inner = top;
    double outer = 8.0;
    for (int i = 0; i < kHalvings; ++i) {
      const double middle = 0.5 * (inner + outer);
      (limb.At(middle) > part * peak ? inner : outer) = middle;
    }
    return 0.5 * (inner + outer);
  };
  constexpr double kOuter = kOuterOfBoundary * kBoundaryPart, kInner = kInnerOfBoundary * kBoundaryPart;
  return {crossing(kBoundaryPart), EdgeWidth(crossing(kOuter), crossing(kInner), kOuter, kInner), peak};
}

LimbTable::LimbTable() {
  for (int knot = 0; knot < kKnots; ++knot) edges_.push_back(EdgeOfLimb(DepthAt(knot)));
}

LimbEdge LimbTable::At(double depth) const {
  if (depth < kShallowest) {
    // A line: it only grows.
    const LimbEdge& line = edges_.front();
    return {line.out, line.width, line.peak * depth / kShallowest};
  }
  const double at =
      std::clamp((kKnots - 1) * std::log(depth / kShallowest) / std::log(kDeepest / kShallowest), 0.0,
                 kKnots - 1.000001);
  const auto knot = static_cast<std::size_t>(at);
  const double t = at - static_cast<double>(knot);
  const LimbEdge& a = edges_[knot];
  const LimbEdge& b = edges_[knot + 1];
  return {std::lerp(a.out, b.out, t), std::lerp(a.width, b.width, t), std::lerp(a.peak, b.peak, t)};
}

std::optional<double> DepthOfLimb(std::span<const double> radius, std::span<const double> peak,
                                  const LimbTable& table) {
  constexpr std::size_t kLeast = 20;
  constexpr int kTried = 120;
  constexpr double kNoGrowth = 150.0;  // deeper than what a picture could tell from a limb that does not grow
  if (radius.size() < kLeast || radius.size() != peak.size()) return std::nullopt;
  const double largest = *std::max_element(radius.begin(), radius.end());
  if (!(largest > 0.0)) return std::nullopt;
  double best = 0.0;
  std::optional<double> least;
  for (int i = 0; i < kTried; ++i) {
    const double depth =
        kShallowest * std::pow(kDeepest / kShallowest, static_cast<double>(i) / (kTried - 1));
    double gg = 0.0;
    double pg = 0.0;
    double pp = 0.0;
    for (std::size_t k = 0; k < radius.size(); ++k) {
      const double g = table.At(depth * radius[k] / largest).peak;
      gg += g * g;
      pg += peak[k] * g;
      pp += peak[k] * peak[k];
    }
    const double residual = pp - pg * pg / gg;
    if (least && residual >= *least) continue;
    least = residual;
    best = depth;
  }
  return best < kNoGrowth ? std::optional(best) : std::nullopt;
}

}  // namespace conebook::vision
