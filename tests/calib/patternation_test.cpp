// A table of weighed collectors. Expected values are worked by hand or follow from the definition in the
// header; Tate's index is from memory.
#include <cmath>
#include <random>
#include <string>

#include <catch2/catch.hpp>

#include <calib/error.h>
#include <calib/patternation.h>

using namespace conebook::calib;

namespace {

constexpr double kPi = 3.14159265358979324;

CollectorRow Sector(int sector, double mass_g, double time_s = 60.0) {
  CollectorRow row;
  row.sector = sector;
  row.mass_g = mass_g;
  row.time_s = time_s;
  row.place = "pattern.csv line " + std::to_string(sector + 2);
  return row;
}

double Normal(std::mt19937_64& random) {
  const auto u = [&] { return (static_cast<double>(random() >> 11) + 0.5) * 0x1p-53; };
  const double radius = std::sqrt(-2.0 * std::log(u()));
  return radius * std::cos(2.0 * kPi * u());
}

// Mass that sector i of n catches of flow (1 + b cos(angle - direction)), by integration over its angles.
double Caught(int i, int n, double mean_g, double b, double direction_deg) {
  const double from = 2.0 * kPi * (i - 0.5) / n - direction_deg * kPi / 180.0;
  const double to = from + 2.0 * kPi / n;
  return mean_g * (1.0 + b * (std::sin(to) - std::sin(from)) * n / (2.0 * kPi));
}

}  // namespace

TEST_CASE("four sectors worked by hand give shares, non-uniformity and imbalance", "[calib][patternation]") {
  // 100, 120, 100, 80 g: shares 0.25, 0.3, 0.25, 0.2. Non-uniformity (0 + 0.05 + 0 + 0.05) / 2 = 0.05; Tate's
  // index of the same, in per cent: sum |share - 25 %| = 10 %, twice this. First harmonic: y = 2 (0.3 - 0.2)
  // / (sin 45 / (pi / 4)).
  const Patternation p = ReadPattern({Sector(0, 100), Sector(1, 120), Sector(2, 100), Sector(3, 80)});
  REQUIRE(p.sectors.size() == 4);
  CHECK(p.total_g_s.value == Approx(400.0 / 60.0));
  CHECK(p.sectors[1].share.value == Approx(0.3));
  CHECK(p.sectors[1].flow_g_s.value == Approx(2.0));
  CHECK(p.sectors[1].angle_deg == Approx(90.0));
  CHECK(p.non_uniformity.value().value == Approx(0.05));
  CHECK(p.largest_over_smallest.value() == Approx(1.5));
  REQUIRE(p.imbalance);
  CHECK(p.imbalance->x.value == Approx(0.0).margin(1e-12));
  CHECK(p.imbalance->y.value == Approx(0.2 / (std::sqrt(0.5) / (kPi / 4.0))));
  CHECK(p.imbalance->direction_deg.value().value == Approx(90.0));
}

TEST_CASE("u of a collector's flow is that of mass and time, by the GUM's product form",
          "[calib][patternation]") {
  // 0.1 g of 100 g and 0.2 s of 60 s: 0.1 % and 0.333 % (JCGM 100:2008 eq. 10, from memory).
  const Patternation p = ReadPattern({Sector(0, 100), Sector(1, 100), Sector(2, 100)});
  CHECK(p.sectors[0].flow_g_s.u / p.sectors[0].flow_g_s.value ==
        Approx(std::hypot(0.1 / 100.0, 0.2 / 60.0)).epsilon(1e-9));
  // Share of three alike: d ln share = 2/3 of its own error less 1/3 of each of the others': sqrt(4 + 1 + 1)
  // / 3.
  CHECK(p.sectors[0].share.u / p.sectors[0].share.value ==
        Approx(std::sqrt(6.0) / 3.0 * std::hypot(0.1 / 100.0, 0.2 / 60.0)).epsilon(1e-9));
}

TEST_CASE("a lopsided flow's strength and direction come back exactly, whatever the number of sectors",
          "[calib][patternation]") {
  for (const int n : {3, 4, 6, 8, 12})
    for (const double direction : {17.0, 200.0, 333.0}) {
      std::vector<CollectorRow> rows;
      for (int i = 0; i < n; ++i) rows.push_back(Sector(i, Caught(i, n, 100.0, 0.25, direction)));
      const Patternation p = ReadPattern(rows);
      CHECK(p.imbalance.value().relative.value == Approx(0.25).epsilon(1e-9));
      CHECK(p.imbalance->direction_deg.value().value == Approx(direction).epsilon(1e-9));
    }
}

TEST_CASE("turning the collectors turns the direction and nothing else", "[calib][patternation]") {
  std::vector<CollectorRow> rows;
  for (int i = 0; i < 8; ++i) rows.push_back(Sector(i, Caught(i, 8, 100.0, 0.2, 40.0)));
  PatternationOptions turned;
  turned.first_sector_deg = 30.0;
  const Patternation a = ReadPattern(rows);
  const Patternation b = ReadPattern(rows, turned);
  CHECK(b.imbalance->direction_deg.value().value == Approx(70.0));
  CHECK(b.imbalance->relative.value == Approx(a.imbalance->relative.value));
  CHECK(b.non_uniformity->value == Approx(a.non_uniformity->value));
}

TEST_CASE("shares, imbalance and direction are covered by their u nineteen times in twenty",
          "[calib][patternation]") {
  const int runs = 1000;
  int share = 0, x = 0, direction = 0, told = 0, total = 0;
  for (int run = 0; run < runs; ++run) {
    std::mt19937_64 random(run);
    std::vector<CollectorRow> rows;
    for (int i = 0; i < 6; ++i) {
      // Stated 0.5 g and 0.3 s are the errors really made.
      const double flow = Caught(i, 6, 1.0, 0.1, 100.0);
      CollectorRow row = Sector(i, flow * (60.0 + 0.3 * Normal(random)) + 0.5 * Normal(random));
      row.u_mass_g = 0.5;
      row.u_time_s = 0.3;
      rows.push_back(row);
    }
    const Patternation p = ReadPattern(rows);
    const auto in = [](const Quantity& q, double truth) {
      return std::abs(q.value - truth) < 1.96 * q.u ? 1 : 0;
    };
    share += in(p.sectors[2].share, Caught(2, 6, 1.0, 0.1, 100.0) / 6.0);
    total += in(p.total_g_s, 6.0);
    x += in(p.imbalance->x, 0.1 * std::cos(100.0 * kPi / 180.0));
    if (!p.imbalance->direction_deg) continue;
    ++told;
    direction += in(*p.imbalance->direction_deg, 100.0);
  }
  INFO("share " << share << ", total " << total << ", x " << x << ", direction " << direction << " of "
                << told);
  for (const int covered : {share, total, x}) {
    CHECK(covered > 950 - 24);  // 3.4 standard deviations of the count
    CHECK(covered < 950 + 24);
  }
  CHECK(told > 990);
  CHECK(direction > 0.92 * told);
}

TEST_CASE("an even spray has no direction, and its non-uniformity is what noise makes of it",
          "[calib][patternation]") {
  const int runs = 500;
  int directions = 0;
  double non_uniformity = 0.0, by_noise = 0.0;
  for (int run = 0; run < runs; ++run) {
    std::mt19937_64 random(9000 + run);
    std::vector<CollectorRow> rows;
    for (int i = 0; i < 8; ++i) {
      CollectorRow row = Sector(i, 100.0 + 1.0 * Normal(random));
      row.u_mass_g = 1.0;
      row.u_time_s = 0.0;
      rows.push_back(row);
    }
    const Patternation p = ReadPattern(rows);
    directions += p.imbalance->direction_deg ? 1 : 0;
    non_uniformity += p.non_uniformity->value / runs;
    by_noise += p.non_uniformity_by_noise / runs;
  }
  CHECK(non_uniformity == Approx(by_noise).epsilon(0.05));
  // Two components, each within 2 u in all directions: exp(-2) = 13.5 % stray out of the circle.
  CHECK(directions < 0.19 * runs);
}

TEST_CASE("repeats that scatter more than the balance says widen u", "[calib][patternation]") {
  std::vector<CollectorRow> rows;
  for (int i = 0; i < 4; ++i)
    for (const double mass : {95.0, 100.0, 105.0}) rows.push_back(Sector(i, mass));
  const Patternation p = ReadPattern(rows);
  CHECK(p.repeats == 3);
  CHECK(p.sectors[0].flow_g_s.value == Approx(100.0 / 60.0));
  CHECK(p.sectors[0].flow_g_s.u == Approx(5.0 / std::sqrt(3.0) / 60.0));  // s / sqrt(n)
  CHECK(p.sectors[0].flow_g_s.dof == Approx(2.0));
}

TEST_CASE("rings give mass per area and the flow's mean radius", "[calib][patternation]") {
  std::vector<CollectorRow> rows;
  for (int i = 0; i < 3; ++i) {
    CollectorRow row = Sector(0, i == 1 ? 200.0 : 50.0);
    row.sector.reset();
    row.ring = i;
    rows.push_back(row);
  }
  PatternationOptions options;
  options.ring_edge_mm = {0.0, 10.0, 20.0, 30.0};
  const Patternation p = ReadPattern(rows, options);
  REQUIRE(p.rings.size() == 3);
  CHECK(p.sectors.empty());
  CHECK_FALSE(p.imbalance);
  CHECK(p.rings[1].flux_g_s_mm2.value().value == Approx(200.0 / 60.0 / (kPi * 300.0)));
  CHECK(p.mean_radius_mm.value().value == Approx((50.0 * 5 + 200.0 * 15 + 50.0 * 25) / 300.0));
  options.ring_edge_mm = {0.0, 10.0};
  CHECK_THROWS_AS(ReadPattern(rows, options), InputError);
}

TEST_CASE("sectors and rings together sum over each other", "[calib][patternation]") {
  std::vector<CollectorRow> rows;
  for (int s = 0; s < 4; ++s)
    for (int r = 0; r < 2; ++r) {
      CollectorRow row = Sector(s, 10.0 * (s + 1) + r);
      row.ring = r;
      rows.push_back(row);
    }
  const Patternation p = ReadPattern(rows);
  CHECK(p.sectors[3].flow_g_s.value == Approx(81.0 / 60.0));
  CHECK(p.rings[1].flow_g_s.value == Approx(104.0 / 60.0));
  CHECK(p.total_g_s.value == Approx(204.0 / 60.0));
}

TEST_CASE("a bad table is refused with the row's place and what to do", "[calib][patternation]") {
  const std::vector<CollectorRow> good{Sector(0, 10), Sector(1, 11), Sector(2, 12)};
  const auto with = [&](const CollectorRow& last) {
    std::vector<CollectorRow> rows = good;
    rows.back() = last;
    return rows;
  };
  CHECK_THROWS_WITH(ReadPattern(with(Sector(2, -1.0))), Catch::Contains("line 4") && Catch::Contains("mass"));
  CHECK_THROWS_WITH(ReadPattern(with(Sector(2, 1.0, 0.0))),
                    Catch::Contains("line 4") && Catch::Contains("time"));
  CHECK_THROWS_WITH(ReadPattern(with(Sector(3, 1.0))), Catch::Contains("sector 2"));
  CHECK_THROWS_WITH(ReadPattern(with(Sector(-1, 1.0))), Catch::Contains("below 0"));
  CHECK_THROWS_AS(ReadPattern({}), InputError);
  CHECK_THROWS_WITH(ReadPattern({Sector(0, 0), Sector(1, 0), Sector(2, 0)}),
                    Catch::Contains("nothing was collected"));
  CollectorRow ring = Sector(2, 1.0);
  ring.sector.reset();
  ring.ring = 0;
  CHECK_THROWS_WITH(ReadPattern(with(ring)), Catch::Contains("first row"));
  CHECK_THROWS_AS(ReadPattern({Sector(0, std::nan(""))}), InputError);
}
