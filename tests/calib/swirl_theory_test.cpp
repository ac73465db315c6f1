// Published relations of pressure-swirl elements, against check values recomputed in the project's reference
// from the formulas as printed there. The inviscid relations were there confirmed by maximising the flow over
// the air core; those marked "from memory" were remembered from the named papers, not read.
#include <cmath>

#include <catch2/catch.hpp>

#include <calib/swirl_theory.h>

using namespace conebook::calib;

TEST_CASE("the air core of an inviscid element follows from its constant K", "[calib][theory]") {
  // K, X, Cd, angle by swirl, angle by axial speed; the angles' formulas from memory (Giffen & Muraszew 1953;
  // Rizk & Lefebvre 1985).
  const double rows[][5] = {{0.10, 0.739289, 0.100938, 58.4864, 67.2219},
                            {0.25, 0.587829, 0.209998, 48.3179, 59.3700},
                            {0.50, 0.451366, 0.337315, 39.3353, 52.0607},
                            {1.00, 0.314914, 0.494503, 29.8381, 43.7958},
                            {2.00, 0.199047, 0.654625, 20.8256, 35.1838}};
  for (const auto& row : rows) {
    const double x = AirCoreShare(row[0]);
    CHECK(x == Approx(row[1]).epsilon(5e-6));
    CHECK(InviscidCd(x) == Approx(row[2]).epsilon(5e-6));
    CHECK(InviscidHalfAngleBySwirlDeg(x) == Approx(row[3]).epsilon(5e-6));
    CHECK(InviscidHalfAngleByAxialSpeedDeg(x) == Approx(row[4]).epsilon(5e-6));
  }
}

// Independent of the formula for Cd: for a given K no other air core passes more, by free vortex and
// Bernoulli (K_B = pi / (4 K); Bayvel & Orzechowski 1993, read in open lecture notes).
TEST_CASE("an inviscid element passes the most that any air core allows", "[calib][theory]") {
  for (const double k : {0.1, 0.25, 0.5, 1.0, 2.0}) {
    const double kb = 0.25 * 3.14159265358979324 / k;
    double most = 0.0;
    for (double x = 0.001; x < 0.999; x += 1e-5)
      most = std::max(most, 1.0 / std::sqrt(kb * kb / x + 1.0 / ((1.0 - x) * (1.0 - x))));
    CHECK(InviscidCd(AirCoreShare(k)) == Approx(most).epsilon(1e-8));
  }
}

TEST_CASE("a Cd of 0.2 is an air core of 0.6 and sixty degrees, exactly", "[calib][theory]") {
  const double x = AirCoreShareOfCd(0.2);
  CHECK(x == Approx(0.6).epsilon(1e-10));
  CHECK(InviscidHalfAngleByAxialSpeedDeg(x) == Approx(60.0).epsilon(1e-10));
  CHECK(AirCoreShareOfCd(0.35) == Approx(0.439264).epsilon(5e-6));
}

TEST_CASE("the correlations give the reference's check values", "[calib][theory]") {
  // Rizk & Lefebvre (1985), from memory: K = 0.25, D_s / d_o = 4; K = 0.5, D_s / d_o = 5.
  CHECK(RizkLefebvreCd({2.0, 4.0, 8.0, {}, {}}) == Approx(0.247487).epsilon(5e-6));
  CHECK(RizkLefebvreCd({2.0, 10.0, 10.0, {}, {}}) == Approx(0.370080).epsilon(5e-6));
  // Jones (1982), from memory: d_o 2, l_o 1, D_s 8, L_s 6 mm, A_p 4 mm2, 5 bar.
  const SwirlFlow water{5e5, 1000.0, 1e-3};
  const SwirlGeometry jones{2.0, 4.0, 8.0, 1.0, 6.0};
  CHECK(ReynoldsAtExit(2.0, water) == Approx(63245.6).epsilon(1e-6));
  CHECK(JonesCd(jones, water).value() == Approx(0.242873).epsilon(5e-6));
  CHECK_FALSE(JonesCd({2.0, 4.0, 8.0, {}, 6.0}, water));
  // Rizk & Lefebvre (1985), from memory: full angles, K = 0.25, d_o = 2 mm.
  const double full[][2] = {{2e5, 70.4369}, {5e5, 77.9065}, {9e5, 83.1100}};
  for (const auto& row : full) {
    const double half = RizkLefebvreHalfAngleDeg({2.0, 4.0, 8.0, {}, {}}, {row[0], 1000.0, 1e-3});
    CHECK(2.0 * half == Approx(row[1]).epsilon(5e-6));
  }
}

TEST_CASE("Reynolds and Weber number of a jet of 20 m/s from 2 mm", "[calib][theory]") {
  // Reference: U 20 m/s, water-like, Re 40000; We on 2 mm is ten times the 1098.90 on 0.2 mm.
  const SwirlFlow flow{0.5 * 1000.0 * 400.0, 1000.0, 1e-3};
  CHECK(ReynoldsAtExit(2.0, flow) == Approx(40000.0).epsilon(1e-9));
  CHECK(WeberAtExit(2.0, flow, 0.0728) == Approx(10989.0).epsilon(1e-5));
}

// Benjamin et al. (1998), ASME GT1998-78644, abstract: as K rises Cd rises and the angle falls.
TEST_CASE("more inlet area: more flow, narrower spray", "[calib][theory]") {
  const SwirlFlow water{5e5, 998.2, 1.0e-3};
  const SwirlGeometry tight{1.6, 2.0, 5.0, 1.0, 4.0};
  const SwirlGeometry open{1.6, 4.0, 5.0, 1.0, 4.0};
  CHECK(RizkLefebvreCd(open) > RizkLefebvreCd(tight));
  CHECK(*JonesCd(open, water) > *JonesCd(tight, water));
  CHECK(RizkLefebvreHalfAngleDeg(open, water) < RizkLefebvreHalfAngleDeg(tight, water));
  CHECK(InviscidCd(AirCoreShare(AtomizerConstant(open))) > InviscidCd(AirCoreShare(AtomizerConstant(tight))));
}
