// Check values: Lichtarowicz, Duggins & Markland (1965), as printed in a secondary source (first two), the
// third computed from the formula.
#include <catch2/catch.hpp>

#include <calib/plain_orifice.h>

using namespace conebook::calib;

TEST_CASE("a plain hole discharges as Lichtarowicz, Duggins and Markland found", "[calib][orifice]") {
  CHECK(PlainOrificeCd(2e4, 2.0).value() == Approx(0.808817).epsilon(2e-6));
  CHECK(PlainOrificeCd(100.0, 2.0).value() == Approx(0.428416).epsilon(2e-6));
  CHECK(PlainOrificeCd(1e4, 4.0).value() == Approx(0.790634).epsilon(2e-6));
}

TEST_CASE("outside its range the correlation gives no number", "[calib][orifice]") {
  CHECK_FALSE(PlainOrificeCd(5.0, 2.0));
  CHECK_FALSE(PlainOrificeCd(3e4, 2.0));
  CHECK_FALSE(PlainOrificeCd(1e4, 1.0));
  CHECK_FALSE(PlainOrificeCd(1e4, 11.0));
}

TEST_CASE("a drilled shower-head hole discharges near 0.8 at length over diameter 2 to 4",
          "[calib][orifice]") {
  // Common practice, no source: a drilled shower-head hole has a discharge coefficient near 0.8.
  for (const double length_over_diameter : {2.0, 2.5, 3.0, 3.5, 4.0}) {
    CHECK(PlainOrificeCd(2e4, length_over_diameter).value() == Approx(0.8).margin(0.05).epsilon(0));
  }
}

TEST_CASE("flow through an orifice follows Cd A sqrt(2 rho dp)", "[calib][orifice]") {
  // Worked values: 1 mm, Cd 0.8, 1000 kg/m3, 5 bar; 2 mm, Cd 0.61, 998.2 kg/m3, 2 bar.
  CHECK(OrificeFlowKgS(0.8, 0.785398163, 1000.0, 5.0) == Approx(0.0198692).epsilon(3e-6));
  CHECK(OrificeFlowKgS(0.61, 3.14159265, 998.2, 2.0) == Approx(0.0382929).epsilon(3e-6));
}
