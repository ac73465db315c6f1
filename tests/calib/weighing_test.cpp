// Buoyancy in the spirit of ISO 4185 (formula from memory); the factor 1.00105 of water against weights of
// 8000 kg/m3 in air of 1.2 kg/m3 is by hand: (1 - 1.2 / 8000) / (1 - 1.2 / 998.2) = 0.99985 / 0.99879784.
#include <cmath>

#include <catch2/catch.hpp>

#include <calib/weighing.h>

using namespace conebook::calib;

TEST_CASE("a bucket of water weighs 0.105 % light in air", "[calib][weighing]") {
  CHECK(BuoyancyFactor(998.2) == Approx(1.00105).margin(5e-6).epsilon(0));
  CHECK(BuoyancyFactor(998.2) == Approx(0.99985 / 0.99879784).epsilon(1e-8));
}

TEST_CASE("a body as dense as the weights needs no correction, a lighter liquid more than water",
          "[calib][weighing]") {
  CHECK(BuoyancyFactor(kWeightsKgM3) == Approx(1.0).epsilon(1e-15));
  CHECK(BuoyancyFactor(998.2, 0.0) == 1.0);
  CHECK(BuoyancyFactor(789.0) > BuoyancyFactor(998.2));
}

TEST_CASE("the weighed flow of a worked bucket carries scale, stopwatch and air", "[calib][weighing]") {
  // 5.000 kg in 60.00 s: 83.333 g/s on the scale, 83.421 g/s true. u: 2 g of 5 kg 0.04 %, 0.1 s of 60 s
  // 0.1667 %, air 0.03 kg/m3 times (1 / 997 - 1 / 7998.8) 0.0026 %; root of the squares 0.1714 %.
  const Quantity flow = MassFlowKgS({5.0, 0.002, 60.0, 0.1}, 998.2);
  CHECK(flow.value == Approx(0.0834210).epsilon(2e-6));
  CHECK(flow.u / flow.value == Approx(0.0017142).epsilon(1e-3));
  REQUIRE(flow.budget.size() == 3);
  CHECK(flow.budget[0].source == "stopwatch");
  CHECK(flow.budget[2].u / flow.value == Approx(2.63e-5).epsilon(0.01));
  CHECK_THROWS_AS(MassFlowKgS({0.0, 0.002, 60.0, 0.1}, 998.2), std::logic_error);
  CHECK_THROWS_AS(MassFlowKgS({5.0, 0.002, 0.0, 0.1}, 998.2), std::logic_error);
}
