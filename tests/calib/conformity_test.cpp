#include "calib/conformity.h"

#include <cmath>
#include <random>
#include <stdexcept>

#include <catch2/catch.hpp>

using namespace conebook::calib;

TEST_CASE("probabilities of conformity of JCGM 106's examples", "[conformity]") {
  // JCGM 106:2012, 7.4, from memory, both recomputed from the normal distribution: a Zener diode's breakdown
  // voltage, -5.47 V with u 0.05 V, no more than -5.40 V: 0.92; kinematic viscosity of motor oil, 13.6 mm2/s
  // with u 1.8, 12.5 to 16.3: 0.66.
  const Quantity diode_v{-5.47, 0.05, Quantity{}.dof, {}};
  CHECK(Assess(diode_v, {std::nullopt, -5.40}).probability == Approx(0.92).margin(0.005));
  CHECK(Assess(diode_v, {std::nullopt, -5.40}).probability ==
        Approx(0.5 * std::erfc(-1.4 / std::sqrt(2.0))).epsilon(1e-9));
  const Quantity oil_mm2_s{13.6, 1.8, Quantity{}.dof, {}};
  CHECK(Assess(oil_mm2_s, {12.5, 16.3}).probability == Approx(0.66).margin(0.005));
}

TEST_CASE("guard bands part accept, undecided and reject", "[conformity]") {
  const Tolerance limits{0.78, 0.82};
  const auto at = [&](double value, double u) { return Assess({value, u, Quantity{}.dof, {}}, limits); };
  CHECK(at(0.800, 0.005).decision == Conformity::kAccept);
  CHECK(at(0.811, 0.005).decision == Conformity::kUndecided);
  CHECK(at(0.825, 0.005).decision == Conformity::kUndecided);
  CHECK(at(0.831, 0.005).decision == Conformity::kReject);
  CHECK(at(0.769, 0.005).decision == Conformity::kReject);
  // The edge itself belongs to accept, and conforms there to 97.7 % (normal distribution at 2).
  CHECK(Assess({0.8125, 0.00375, Quantity{}.dof, {}}, {std::nullopt, 0.82}).decision == Conformity::kAccept);
  CHECK(Assess({0.8125, 0.00375, Quantity{}.dof, {}}, {std::nullopt, 0.82}).probability ==
        Approx(0.97725).margin(1e-5));
  CHECK(at(0.811, 0.005).u_to_accept == Approx(0.0045));
  CHECK(at(0.831, 0.005).u_to_accept == 0.0);
  CHECK_FALSE(at(0.800, 0.009).limits_too_close);
  CHECK(at(0.800, 0.011).limits_too_close);
  CHECK(at(0.800, 0.011).decision == Conformity::kUndecided);
  CHECK(at(0.8, 0.0).probability == 1.0);
  CHECK(at(0.83, 0.0).decision == Conformity::kReject);
}

TEST_CASE("few degrees of freedom widen the guard band to the same probability", "[conformity]") {
  // Student's t, 4 degrees of freedom, upper tail 0.02275: 2.869 (recomputed; tables give 2.776 at 0.025).
  const Quantity few{0.80, 0.005, 4.0, {}};
  const ConformityResult result = Assess(few, {std::nullopt, 0.82});
  CHECK(result.guard_band / 0.005 == Approx(2.869).margin(0.001));
  CHECK(Assess({0.82 - result.guard_band, 0.005, 4.0, {}}, {std::nullopt, 0.82}).probability ==
        Approx(0.97725).margin(1e-5));
}

TEST_CASE("the probability is how often a true value about the reading conforms", "[conformity]") {
  std::mt19937_64 random(11);
  std::normal_distribution<double> gauss(0.0, 1.0);
  int inside = 0;
  constexpr int kDraws = 200000;
  for (int i = 0; i < kDraws; ++i) {
    const double truth = 0.815 + 0.01 * gauss(random);
    inside += truth >= 0.78 && truth <= 0.82 ? 1 : 0;
  }
  // 4 standard errors of a share of 200 000.
  CHECK(Assess({0.815, 0.01, Quantity{}.dof, {}}, {0.78, 0.82}).probability ==
        Approx(static_cast<double>(inside) / kDraws).margin(0.0045));
}

TEST_CASE("limits that make no sense are refused", "[conformity]") {
  CHECK_THROWS_AS(Assess({1.0, 0.1, 5.0, {}}, {}), std::logic_error);
  CHECK_THROWS_AS(Assess({1.0, 0.1, 5.0, {}}, {2.0, 1.0}), std::logic_error);
  CHECK(InWords(Tolerance{0.78, 0.82}) == "0.78 to 0.82");
  CHECK(InWords(Tolerance{std::nullopt, 0.5}) == "0.5 or less");
}
