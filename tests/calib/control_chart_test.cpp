// Control limits of single values: the constants of ISO 7870-2 for the individuals chart (d2 = 1.128, 2.66
// mean moving ranges; from memory, and as textbooks on statistical process control give them).
#include <cmath>
#include <random>
#include <vector>

#include <catch2/catch.hpp>

#include <calib/control_chart.h>

using namespace conebook;

TEST_CASE("the limits lie 2.66 mean differences from the mean", "[calib][control_chart]") {
  // Differences 2, 1, 3, 2, 1, 2, 3: mean 2. Mean of the values 10.
  const std::vector<double> values{10.0, 12.0, 11.0, 8.0, 10.0, 9.0, 11.0, 8.0};
  const auto limits = calib::IndividualsLimits(values);
  REQUIRE(limits);
  CHECK(limits->centre == Approx(9.875));
  CHECK(limits->upper - limits->centre == Approx(2.66 * 2.0).epsilon(1e-3));
  CHECK(limits->centre - limits->lower == Approx(2.66 * 2.0).epsilon(1e-3));
  CHECK(limits->Hold(15.1));
  CHECK_FALSE(limits->Hold(15.3));
}

TEST_CASE("few values give no limits", "[calib][control_chart]") {
  CHECK_FALSE(calib::IndividualsLimits(std::vector<double>(7, 1.0)));
  CHECK(calib::IndividualsLimits(std::vector<double>(8, 1.0)));
}

TEST_CASE("limits from many normal values are three standard deviations off, also when the mean drifts",
          "[calib][control_chart]") {
  std::mt19937 random(4);
  std::normal_distribution<double> gauss(0.0, 1.0);
  for (const double drift : {0.0, 0.01}) {
    std::vector<double> values;
    for (int i = 0; i < 4000; ++i) values.push_back(gauss(random) + drift * i);
    const auto limits = calib::IndividualsLimits(values);
    REQUIRE(limits);
    // Mean difference of 4000 normal values: known to some 1.3 %.
    CHECK(0.5 * (limits->upper - limits->lower) == Approx(3.0).epsilon(0.04));
  }
}
