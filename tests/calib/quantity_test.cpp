#include <catch2/catch.hpp>

#include <calib/quantity.h>

using namespace conebook::calib;

// JCGM 100:2008 (GUM), example H.1, end gauge: u and effective degrees of freedom from components 25 (18),
// 9.7 (25.6), 2.9 (50), 16.6 (2) nm; inputs as printed in an open worked example, 9.7/25.6/2.9/16.6 from
// memory.
TEST_CASE("the end gauge of GUM H.1 has 32 nm with 16 degrees of freedom", "[calib][quantity]") {
  const Quantity q = Combine(50.000838e6, {{"standard", 25.0, Shared::kDay, 18.0},
                                           {"difference", 9.7, Shared::kFrames, 25.6},
                                           {"expansion", 2.9, Shared::kRig, 50.0},
                                           {"temperature", 16.6, Shared::kClip, 2.0}});
  CHECK(q.u == Approx(31.6711).epsilon(1e-5));
  CHECK(q.dof == Approx(16.7646).epsilon(1e-4));
  CHECK(q.budget.front().source == "standard");
  CHECK(q.budget.back().source == "expansion");
}

// Student t, two-sided 95 %: standard tables (GUM table G.2).
TEST_CASE("coverage factors are those of the t table, degrees of freedom truncated", "[calib][quantity]") {
  CHECK(CoverageFactor95(1.0) == Approx(12.7062).epsilon(1e-4));
  CHECK(CoverageFactor95(8.0) == Approx(2.3060).epsilon(1e-4));
  CHECK(CoverageFactor95(16.76) == Approx(2.1199).epsilon(1e-4));
  CHECK(CoverageFactor95(100.0) == Approx(1.9840).epsilon(1e-4));
  CHECK(CoverageFactor95(std::numeric_limits<double>::infinity()) == Approx(1.959964).epsilon(1e-6));
}

TEST_CASE("a budget that is not a number is our mistake, not a result", "[calib][quantity]") {
  CHECK_THROWS_AS(Combine(1.0, {{"x", -1.0, Shared::kRig}}), std::logic_error);
  CHECK_THROWS_AS(Combine(std::nan(""), {}), std::logic_error);
}
