#include "calib/ring_layout.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <numbers>
#include <numeric>

namespace conebook::calib {
namespace {

constexpr double kPi = std::numbers::pi;
constexpr double kEdge = 1e-9;  // of the pitch: a point on the edge is in

struct Point {
  double x = 0.0, y = 0.0;
  double Radius() const { return std::hypot(x, y); }
};

Point MiddleOf(HexagonalMiddle middle) {
  switch (middle) {
    case HexagonalMiddle::kElement:
      return {0.0, 0.0};
    case HexagonalMiddle::kGap:
      return {0.5, std::sqrt(3.0) / 6.0};
    case HexagonalMiddle::kBridge:
      return {0.5, 0.0};
  }
  return {};
}

// Lattice points of pitch 1 within the radius of the middle, nearest first.
std::vector<Point> LatticeWithin(double radius, HexagonalMiddle middle) {
  const Point centre = MiddleOf(middle);
  const int reach = static_cast<int>(std::ceil(radius * 2.0 / std::sqrt(3.0))) + 2;
  std::vector<Point> points;
  for (int b = -reach; b <= reach; ++b) {
    for (int a = -2 * reach; a <= 2 * reach; ++a) {
      const Point point{a + 0.5 * b - centre.x, std::sqrt(3.0) / 2.0 * b - centre.y};
      if (point.Radius() <= radius + kEdge) points.push_back(point);
    }
  }
  std::sort(points.begin(), points.end(), [](const Point& p, const Point& q) {
    const double difference = p.Radius() - q.Radius();
    if (std::abs(difference) > 1e-7) return difference < 0.0;
    const double turn = std::atan2(p.y, p.x) - std::atan2(q.y, q.x);
    return turn < 0.0;
  });
  return points;
}

int MostOnRing(double radius_mm, double pitch_mm) {
  if (radius_mm < 0.5 * pitch_mm * (1.0 - kEdge)) return radius_mm >= 0.0 ? 1 : 0;
  const double half = std::min(1.0, 0.5 * pitch_mm / radius_mm);
  return std::max(1, static_cast<int>(std::floor(kPi / std::asin(half) + 1e-9)));
}

std::vector<Place> PlacesOf(const std::vector<Ring>& rings) {
  std::vector<Place> places;
  for (std::size_t r = 0; r < rings.size(); ++r) {
    for (int k = 0; k < rings[r].count; ++k) {
      const double angle = rings[r].turn_deg * kPi / 180.0 + 2.0 * kPi * k / rings[r].count;
      places.push_back(
          {rings[r].radius_mm * std::cos(angle), rings[r].radius_mm * std::sin(angle), static_cast<int>(r)});
    }
  }
  return places;
}

// Each ring turned against the one outside it as far as its angles allow: no two angles can be kept farther
// apart than half of a full turn over the least common multiple of the counts.
void TurnRings(std::vector<Ring>& rings) {
  for (std::size_t r = 1; r < rings.size(); ++r) {
    rings[r].turn_deg =
        rings[r - 1].turn_deg + 180.0 / static_cast<double>(std::lcm(rings[r].count, rings[r - 1].count));
  }
}

PlateLayout Finished(LayoutKind kind, std::vector<Ring> rings) {
  PlateLayout layout;
  layout.kind = kind;
  layout.places = PlacesOf(rings);
  layout.rings = std::move(rings);
  layout.least_pitch_mm = LeastPitch(layout.places);
  return layout;
}

PlateLayout FromLattice(const std::vector<Point>& points, int n, double pitch_mm) {
  PlateLayout layout;
  layout.kind = LayoutKind::kHexagonal;
  std::vector<double> radii;
  for (int k = n - 1; k >= 0; --k) {
    const Point& point = points[static_cast<std::size_t>(k)];
    const double radius = point.Radius() * pitch_mm;
    if (radii.empty() || std::abs(radii.back() - radius) > 1e-6 * pitch_mm) {
      radii.push_back(radius);
      layout.rings.push_back({radius, 0, std::atan2(point.y, point.x) * 180.0 / kPi});
    }
    ++layout.rings.back().count;
    layout.places.push_back(
        {point.x * pitch_mm, point.y * pitch_mm, static_cast<int>(layout.rings.size()) - 1});
  }
  layout.least_pitch_mm = LeastPitch(layout.places);
  return layout;
}

// The ring inside the last one with the most elements, as far out as it goes; nothing where none fits.
std::optional<Ring> NextInside(const std::vector<Ring>& rings, double pitch_mm) {
  const Ring& outside = rings.back();
  const auto fits = [&](const Ring& ring) {
    std::vector<Ring> with = rings;
    with.push_back(ring);
    TurnRings(with);
    const std::vector<Place> places = PlacesOf(with);
    const std::size_t first = places.size() - static_cast<std::size_t>(ring.count);
    for (std::size_t i = first; i < places.size(); ++i)
      for (std::size_t j = 0; j < i; ++j)
        if (std::hypot(places[i].x_mm - places[j].x_mm, places[i].y_mm - places[j].y_mm) <
            pitch_mm * (1.0 - kEdge))
          return false;
    return true;
  };
  for (int count = outside.count; count >= 2; --count) {
    const double apart = kPi / static_cast<double>(std::lcm(count, outside.count));
    const double across = outside.radius_mm * std::sin(apart);
    if (across > pitch_mm) continue;
    const double radius =
        outside.radius_mm * std::cos(apart) - std::sqrt(pitch_mm * pitch_mm - across * across);
    const double least = 0.5 * pitch_mm / std::sin(kPi / count);
    if (radius < least * (1.0 - kEdge)) continue;
    const Ring ring{std::max(radius, least), count, 0.0};
    if (fits(ring)) return ring;
  }
  const Ring middle{0.0, 1, 0.0};
  return fits(middle) ? std::optional(middle) : std::nullopt;
}

// Counts on rings of these radii in proportion to the radius, by largest remainder; the middle takes one.
std::vector<Ring> Shared(int n, const std::vector<double>& radii) {
  std::vector<Ring> rings;
  double sum = 0.0;
  int left = n;
  for (const double radius : radii) {
    sum += radius;
    if (radius == 0.0) --left;
  }
  std::vector<std::pair<double, std::size_t>> remainders;
  int given = 0;
  for (std::size_t r = 0; r < radii.size(); ++r) {
    if (radii[r] == 0.0) {
      rings.push_back({0.0, 1, 0.0});
      continue;
    }
    const double share = left * radii[r] / sum;
    rings.push_back({radii[r], static_cast<int>(std::floor(share)), 0.0});
    given += rings.back().count;
    remainders.emplace_back(share - std::floor(share), r);
  }
  std::sort(remainders.begin(), remainders.end(), [](const auto& a, const auto& b) {
    return a.first != b.first ? a.first > b.first : a.second < b.second;
  });
  for (std::size_t k = 0; given < left && k < remainders.size(); ++k, ++given)
    ++rings[remainders[k].second].count;
  return rings;
}

}  // namespace

const char* NameOf(LayoutKind kind) {
  return kind == LayoutKind::kRings ? "rings" : "hexagonal";
}

double LeastPitch(const std::vector<Place>& places) {
  double least = std::numeric_limits<double>::infinity();
  for (std::size_t i = 0; i < places.size(); ++i)
    for (std::size_t j = i + 1; j < places.size(); ++j)
      least = std::min(least, std::hypot(places[i].x_mm - places[j].x_mm, places[i].y_mm - places[j].y_mm));
  return least;
}

int HexagonalCount(double radius_mm, double pitch_mm, HexagonalMiddle middle) {
  if (!(radius_mm >= 0.0) || !(pitch_mm > 0.0)) return 0;
  return static_cast<int>(LatticeWithin(radius_mm / pitch_mm, middle).size());
}

std::vector<int> FullShells(HexagonalMiddle middle, int most) {
  // A disc of this radius holds `most` points for sure.
  const double radius = std::sqrt(std::max(1, most) * std::sqrt(3.0) / (2.0 * kPi)) + 1.5;
  const std::vector<Point> points = LatticeWithin(radius, middle);
  std::vector<int> shells;
  for (std::size_t k = 0; k + 1 < points.size(); ++k) {
    if (points[k + 1].Radius() - points[k].Radius() > 1e-7 && static_cast<int>(k) < most)
      shells.push_back(static_cast<int>(k) + 1);
  }
  return shells;
}

PlateLayout FullestRings(const PlateSpace& space) {
  const double pitch = space.least_pitch_mm;
  if (!(space.usable_radius_mm >= 0.0) || !(pitch > 0.0)) return {};
  std::vector<Ring> rings{{space.usable_radius_mm, MostOnRing(space.usable_radius_mm, pitch), 0.0}};
  if (rings.front().count == 1) rings.front().radius_mm = 0.0;
  while (rings.back().radius_mm > 0.0) {
    const std::optional<Ring> next = NextInside(rings, pitch);
    if (!next) break;
    rings.push_back(*next);
    TurnRings(rings);
  }
  return Finished(LayoutKind::kRings, std::move(rings));
}

PlateLayout FullestHexagonal(const PlateSpace& space) {
  PlateLayout best;
  if (!(space.usable_radius_mm >= 0.0) || !(space.least_pitch_mm > 0.0)) return best;
  for (const auto middle : {HexagonalMiddle::kElement, HexagonalMiddle::kGap, HexagonalMiddle::kBridge}) {
    const auto points = LatticeWithin(space.usable_radius_mm / space.least_pitch_mm, middle);
    if (points.size() > best.places.size())
      best = FromLattice(points, static_cast<int>(points.size()), space.least_pitch_mm);
  }
  return best;
}

std::optional<PlateLayout> RingsOf(int n, const PlateSpace& space) {
  if (n < 1 || n > MostThatFit(space)) return std::nullopt;
  const double radius = space.usable_radius_mm;
  if (n == 1) return Finished(LayoutKind::kRings, {{0.0, 1, 0.0}});
  std::optional<PlateLayout> best;
  const auto consider = [&](std::vector<Ring> rings) {
    if (std::any_of(rings.begin(), rings.end(), [&](const Ring& ring) {
          return ring.count < 1 || ring.count > MostOnRing(ring.radius_mm, space.least_pitch_mm);
        }))
      return;
    TurnRings(rings);
    PlateLayout layout = Finished(LayoutKind::kRings, std::move(rings));
    if (layout.least_pitch_mm < space.least_pitch_mm * (1.0 - 1e-7)) return;
    // Fewer rings win a draw.
    if (!best || layout.least_pitch_mm > best->least_pitch_mm * (1.0 + 1e-6)) best = std::move(layout);
  };
  // Evenly spread, n elements lie on some sqrt(n / 3) rings.
  const int most_rings = static_cast<int>(std::sqrt(n / 3.0)) + 2;
  for (int rings = 1; rings <= std::min(most_rings, n); ++rings) {
    for (const bool middle : {false, true}) {
      const int round = rings - (middle ? 1 : 0);
      if (round < 1) continue;
      // Rings an equal step apart; the innermost at one step from the middle, or at half and 0.7 of one
      // without an element there.
      for (const double inner : middle ? std::vector<double>{1.0} : std::vector<double>{0.5, 0.7, 1.0}) {
        std::vector<double> radii;
        const double step = radius / (round - 1 + inner);
        for (int r = 0; r < round; ++r) radii.push_back(radius - r * step);
        if (middle) radii.push_back(0.0);
        const std::vector<Ring> shared = Shared(n, radii);
        consider(shared);
        // One or two more or less on the outermost of two rings.
        for (int move = -2; round >= 2 && move <= 2; ++move) {
          std::vector<Ring> moved = shared;
          moved[0].count += move;
          moved[1].count -= move;
          if (move != 0) consider(std::move(moved));
        }
      }
    }
  }
  return best;
}

std::optional<PlateLayout> HexagonalOf(int n, const PlateSpace& space) {
  if (n < 1 || n > MostThatFit(space)) return std::nullopt;
  std::optional<PlateLayout> best;
  for (const auto middle : {HexagonalMiddle::kElement, HexagonalMiddle::kGap, HexagonalMiddle::kBridge}) {
    const std::vector<int> shells = FullShells(middle, n);
    if (shells.empty() || shells.back() != n) continue;
    const double reach = std::sqrt(n * std::sqrt(3.0) / (2.0 * kPi)) + 1.5;
    std::vector<Point> points = LatticeWithin(reach, middle);
    const double outer = points[static_cast<std::size_t>(n) - 1].Radius();
    const double pitch = outer > 0.0 ? space.usable_radius_mm / outer : space.least_pitch_mm;
    if (pitch < space.least_pitch_mm * (1.0 - kEdge)) continue;
    PlateLayout layout = FromLattice(points, n, pitch);
    if (!best || layout.least_pitch_mm > best->least_pitch_mm) best = std::move(layout);
  }
  return best;
}

int MostThatFit(const PlateSpace& space) {
  if (!(space.usable_radius_mm >= 0.0) || !(space.least_pitch_mm > 0.0)) return 0;
  const double r = space.usable_radius_mm / space.least_pitch_mm;
  const double bound = 2.0 / std::sqrt(3.0) * kPi * r * r + kPi * r + 1.0;
  return static_cast<int>(std::min(1e9, std::floor(bound + 1e-9)));
}

}  // namespace conebook::calib
