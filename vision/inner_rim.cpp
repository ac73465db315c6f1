#include "vision/inner_rim.h"

#include <algorithm>
#include <cmath>
#include <optional>
#include <vector>

#include "vision/statistics.h"

namespace conebook::vision {
namespace {

double MedianOut(std::span<const RimPoint> points) {
  std::vector<double> out;
  for (const RimPoint& p : points) out.push_back(p.out_px);
  return MedianInPlace(out);
}

// Median of out over distance, of the points down to and from there; nothing without any.
std::optional<double> Opening(std::span<const RimPoint> points, double from_px, double to_px) {
  std::vector<double> opening;
  for (const RimPoint& p : points) {
    if (p.dy_px > 0.0 && p.dy_px >= from_px && p.dy_px <= to_px) opening.push_back(p.out_px / p.dy_px);
  }
  return opening.empty() ? std::nullopt : std::optional(MedianInPlace(opening));
}

// The largest jump outwards: index of the first point past it.
std::size_t LargestJump(std::span<const RimPoint> side, const InnerRimOptions& options) {
  const auto window = static_cast<std::size_t>(options.window);
  const auto gap = static_cast<std::size_t>(options.gap);
  std::size_t at = 0;
  double largest = options.least_jump;
  for (std::size_t k = window + gap; k + gap + window <= side.size(); ++k) {
    const auto before = side.subspan(k - gap - window, window);
    const auto after = side.subspan(k + gap, window);
    const double inner = MedianOut(before);
    // As it would be at the inner rows, on a straight way to the exit.
    const double outer = MedianOut(after) * before[window / 2].dy_px / after[window / 2].dy_px;
    if (inner <= 0.0 || outer - inner < options.least_jump_px || outer / inner <= largest) continue;
    largest = outer / inner;
    at = k;
  }
  return at;
}

}  // namespace

std::vector<char> InsideOfRim(std::span<const RimPoint> side, std::span<const RimPoint> other,
                              double exit_radius_px, const InnerRimOptions& options) {
  const std::size_t jump = LargestJump(side, options);
  if (jump == 0) return {};
  const std::size_t first = jump + static_cast<std::size_t>(options.gap);
  if (side.size() - first < static_cast<std::size_t>(options.least_outer)) return {};
  const auto outer = side.subspan(first);
  std::vector<double> dy;
  std::vector<double> out;
  for (const RimPoint& p : outer) {
    // As far again as the jump lies below the exit: farther down a side may bend.
    if (p.dy_px > 2.0 * outer.front().dy_px && dy.size() >= static_cast<std::size_t>(options.least_outer))
      break;
    dy.push_back(p.dy_px);
    out.push_back(p.out_px);
  }
  const std::optional<Line> line = FitRobustLine(dy, out, RobustLineOptions{});
  if (!line) return {};
  if (std::abs(line->intercept - exit_radius_px) > options.most_off_exit * exit_radius_px) return {};
  const auto window = static_cast<std::size_t>(options.window);
  const auto gap = static_cast<std::size_t>(options.gap);
  const auto inner_opening = Opening(side.subspan(jump - gap - window, window), 0.0, dy.front());
  const auto outer_opening = Opening(outer, dy.front(), dy.back());
  const auto other_opening = Opening(other, dy.front(), dy.back());
  if (!inner_opening || !outer_opening || !other_opening) return {};
  if (!(*inner_opening > 0.0) || !(*outer_opening > 0.0) || !(*other_opening > 0.0)) return {};
  const double inner_off = std::abs(std::log(*inner_opening / *other_opening));
  const double outer_off = std::abs(std::log(*outer_opening / *other_opening));
  if (!(outer_off < 0.5 * inner_off)) return {};
  std::vector<char> inside(side.size(), 0);
  for (std::size_t i = 0; i < first; ++i) {
    const double rim = std::hypot(exit_radius_px, line->slope * side[i].dy_px);
    inside[i] = side[i].out_px < rim - std::max(options.least_inside_px, options.least_inside * rim) ? 1 : 0;
  }
  return inside;
}

}  // namespace conebook::vision
