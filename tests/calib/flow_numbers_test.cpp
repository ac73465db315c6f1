// Reynolds, Weber and cavitation numbers: values worked by hand from the definitions in the header.
#include <cmath>
#include <numbers>

#include <catch2/catch.hpp>

#include <calib/flow_numbers.h>

using namespace conebook::calib;

TEST_CASE("Reynolds and Weber of a jet whose speed is known", "[calib][flow_numbers]") {
  // 1 mm bore, 20 m/s of water: 1000 * 20 * 1e-3 / 1e-3 = 20000; 1000 * 400 * 1e-3 / 0.0728 = 5494.5.
  const double flow_kg_s = 1000.0 * 20.0 * std::numbers::pi / 4.0 * 1e-6;
  CHECK(ReynoldsNumber(flow_kg_s, 1.0, 1.0e-3) == Approx(20000.0).epsilon(1e-12));
  CHECK(WeberNumber(flow_kg_s, 1.0, 1000.0, 0.0728) == Approx(5494.505495).epsilon(1e-9));
}

// Ohnesorge's number holds no speed: common knowledge, no source.
TEST_CASE("root Weber over Reynolds is a matter of liquid and bore alone", "[calib][flow_numbers]") {
  const double ohnesorge = 2.4e-3 / std::sqrt(785.0 * 0.0217 * 0.8e-3);
  for (const double flow_kg_s : {1e-4, 3e-3, 0.2}) {
    const double from_both =
        std::sqrt(WeberNumber(flow_kg_s, 0.8, 785.0, 0.0217)) / ReynoldsNumber(flow_kg_s, 0.8, 2.4e-3);
    CHECK(from_both == Approx(ohnesorge).epsilon(1e-12));
  }
}

TEST_CASE("the cavitation number falls with the drop and rises with back pressure", "[calib][flow_numbers]") {
  // (6.01325e5 - 2339) / 5e5, by hand.
  CHECK(CavitationNumber(5e5, 1.01325e5, 2339.0) == Approx(1.197972).epsilon(1e-6));
  // An engine at 20 bar with the same drop: (25e5 - 2339) / 5e5.
  CHECK(CavitationNumber(5e5, 20e5, 2339.0) == Approx(4.995322).epsilon(1e-6));
  CHECK(CavitationNumber(50e5, 1.01325e5, 2339.0) < CavitationNumber(5e5, 1.01325e5, 2339.0));
}

// A reattached short tube's 0.81 and contraction 0.62: open hydraulics notes. In cavitating flow Cd = Cc root
// K (after Nurick 1976, read in a secondary source): where K is (Cd / Cc)^2 the two meet.
TEST_CASE("a short tube cavitates below about 1.7, and back pressure lifts it there",
          "[calib][flow_numbers]") {
  const double least = CavitatesBelow(0.81);
  CHECK(least == Approx(1.7068).epsilon(1e-4));
  CHECK(kSharpEdgeContraction * std::sqrt(least) == Approx(0.81).epsilon(1e-12));
  const double behind_pa = BackPressurePa(8e5, least, 2339.0);
  CHECK(CavitationNumber(8e5, behind_pa, 2339.0) == Approx(least).epsilon(1e-12));
}
