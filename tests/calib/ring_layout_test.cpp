// Elements on a plate. Published: the radii at which 2 to 9 and 19 equal circles fit into a circle are proven
// optimal (Graham 1968 to N = 7, Pirl 1969 to 10, Fodor 1999 for 19; radii as common tables have them, from
// memory), and all of these are rings. Lattice points within a disc: 1, 7, 13, 19, 31, 37, 43, 55, 61 about a
// point at squared radii 0, 1, 3, 4, 7, 9, 12, 13, 16 (Loeschian numbers; common knowledge, no source).
#include <cmath>
#include <utility>
#include <vector>

#include <catch2/catch.hpp>

#include <calib/ring_layout.h>

using namespace conebook::calib;

namespace {

void RequireKept(const PlateLayout& layout, const PlateSpace& space, std::size_t n) {
  REQUIRE(layout.places.size() == n);
  for (const Place& place : layout.places)
    CHECK(std::hypot(place.x_mm, place.y_mm) <= space.usable_radius_mm * (1.0 + 1e-9));
  CHECK(LeastPitch(layout.places) >= space.least_pitch_mm * (1.0 - 1e-6));
  int count = 0;
  for (const Ring& ring : layout.rings) count += ring.count;
  CHECK(static_cast<std::size_t>(count) == n);
}

}  // namespace

TEST_CASE("rings hold the proven optimum of 2 to 9 and 19 circles, and not one more", "[calib][layout]") {
  const double pi = std::acos(-1.0);
  // Radius of the circle of centres over the pitch.
  std::vector<std::pair<int, double>> optimum{{7, 1.0}, {19, (std::sqrt(2.0) + std::sqrt(6.0)) / 2.0}};
  for (const int n : {2, 3, 4, 5}) optimum.emplace_back(n, 0.5 / std::sin(pi / n));
  for (const int n : {8, 9}) optimum.emplace_back(n, 0.5 / std::sin(pi / (n - 1)));
  for (const auto& [n, radius] : optimum) {
    CAPTURE(n);
    const PlateSpace at{radius * 10.0 * (1.0 + 1e-9), 10.0};
    RequireKept(FullestRings(at), at, static_cast<std::size_t>(n));
    CHECK(static_cast<int>(FullestRings({radius * 10.0 * 0.999, 10.0}).places.size()) < n);
  }
}

TEST_CASE("the lattice counts as hexagonal numbers say, about a point, a gap and a bridge",
          "[calib][layout]") {
  const std::vector<std::pair<double, int>> about_a_point{{0, 1},  {1, 7},   {3, 13},  {4, 19}, {7, 31},
                                                          {9, 37}, {12, 43}, {13, 55}, {16, 61}};
  for (const auto& [squared, count] : about_a_point) {
    CHECK(HexagonalCount(2.0 * std::sqrt(squared), 2.0, HexagonalMiddle::kElement) == count);
    if (squared > 0)
      CHECK(HexagonalCount(2.0 * std::sqrt(squared) - 1e-4, 2.0, HexagonalMiddle::kElement) < count);
  }
  CHECK(FullShells(HexagonalMiddle::kElement, 61) == std::vector<int>{1, 7, 13, 19, 31, 37, 43, 55, 61});
  CHECK(FullShells(HexagonalMiddle::kGap, 27) == std::vector<int>{3, 6, 12, 18, 21, 27});
  CHECK(FullShells(HexagonalMiddle::kBridge, 10) == std::vector<int>{2, 4, 8, 10});
}

TEST_CASE("no layout breaks pitch, radius or the bound that holds for all", "[calib][layout]") {
  for (double radius = 0.0; radius < 90.0; radius += 3.7) {
    const PlateSpace space{radius, 10.0};
    const PlateLayout rings = FullestRings(space), lattice = FullestHexagonal(space);
    RequireKept(rings, space, rings.places.size());
    RequireKept(lattice, space, lattice.places.size());
    CHECK(static_cast<int>(rings.places.size()) <= MostThatFit(space));
    CHECK(static_cast<int>(lattice.places.size()) <= MostThatFit(space));
  }
  // Far out the lattice is the densest there is: pi / (2 sqrt 3) of the disc.
  const double share =
      static_cast<double>(FullestHexagonal({400.0, 10.0}).places.size()) / std::pow(2.0 * 40.0, 2);
  CHECK(share == Approx(std::acos(-1.0) / (2.0 * std::sqrt(3.0))).epsilon(0.02));
}

TEST_CASE("a wanted number is spread as far as it goes, or refused", "[calib][layout]") {
  const PlateSpace space{50.0, 12.0};
  for (int n = 1; n <= 40; ++n) {
    const auto rings = RingsOf(n, space);
    if (rings) RequireKept(*rings, space, static_cast<std::size_t>(n));
    const auto lattice = HexagonalOf(n, space);
    if (lattice) RequireKept(*lattice, space, static_cast<std::size_t>(n));
    CAPTURE(n);
    if (n <= 30) CHECK(rings);  // 30 discs of 12 in a disc of 62 fill it to 45 %
  }
  CHECK_FALSE(RingsOf(MostThatFit(space) + 1, space));
  CHECK_FALSE(HexagonalOf(11, space));                            // no full shell
  CHECK(HexagonalOf(19, space)->least_pitch_mm == Approx(25.0));  // outer shell at two pitches
  // Seven: six round one, a radius apart.
  CHECK(RingsOf(7, space)->least_pitch_mm == Approx(50.0));
  CHECK_FALSE(RingsOf(0, space));
  CHECK(RingsOf(1, {0.0, 5.0})->places.size() == 1);
  CHECK_FALSE(RingsOf(2, {1.0, 5.0}));
}
