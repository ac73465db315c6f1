#include <cmath>
#include <random>
#include <vector>

#include <catch2/catch.hpp>

#include <vision/sheet_fit.h>
#include <vision/statistics.h>

using namespace conebook::vision;

TEST_CASE("a line survives a quarter of its points being elsewhere", "[vision][statistics]") {
  std::vector<double> x;
  std::vector<double> y;
  for (int i = 0; i < 100; ++i) {
    x.push_back(i);
    y.push_back(3.0 + 0.8 * i + 0.1 * std::sin(12.9898 * i) + (i > 70 && i < 96 ? -25.0 : 0.0));
  }
  const auto line = FitRobustLine(x, y, RobustLineOptions{});
  REQUIRE(line);
  CHECK(line->slope == Approx(0.8).margin(0.002));
  CHECK(line->points == 75);
}

TEST_CASE("two points, or points on one spot, make no line", "[vision][statistics]") {
  const std::vector<double> x{1.0, 2.0};
  CHECK_FALSE(FitRobustLine(x, x, RobustLineOptions{}));
  const std::vector<double> same(20, 1.0);
  CHECK_FALSE(FitRobustLine(same, same, RobustLineOptions{}));
}

// First-order autoregression of coefficient r: n_eff / n = (1 - r) / (1 + r), a standard result of
// time-series statistics.
TEST_CASE("correlated readings count for fewer", "[vision][statistics]") {
  std::mt19937 engine(7);
  std::normal_distribution<double> noise;
  for (const double r : {0.0, 0.5, 0.8}) {
    double sum = 0.0;
    constexpr int kSeries = 20;
    for (int s = 0; s < kSeries; ++s) {
      std::vector<double> v(4000);
      double at = 0.0;
      for (double& value : v) value = at = r * at + noise(engine);
      sum += EffectiveSampleSize(v) / static_cast<double>(v.size()) / kSeries;
    }
    CHECK(sum == Approx((1.0 - r) / (1.0 + r)).epsilon(0.12));
  }
}

TEST_CASE("medians and quantiles are those of the sorted values", "[vision][statistics]") {
  std::vector<double> v{5.0, 1.0, 4.0, 2.0};
  CHECK(MedianInPlace(v) == 3.0);
  v = {5.0, 1.0, 4.0, 2.0, 3.0};
  CHECK(MedianInPlace(v) == 3.0);
  CHECK(QuantileInPlace(v, 0.25) == 2.0);
  CHECK(QuantileInPlace(v, 1.0) == 5.0);
}

// r^2 = r0^2 + z^2 tan^2 a (free swirling sheet): r0 = 1, a = 40 deg, values at z = 1, 2, 5, 10, 20
// are 1.30541, 1.95355, 4.31303, 8.45037, 16.8118; a straight line through 19 points z = 2 to 20
// reads 39.6797 deg (derived in the project's reference on spray physics, sheet kinematics).
TEST_CASE("the asymptote of a hyperboloid is found where a straight line reads low", "[vision][sheet_fit]") {
  std::vector<double> z;
  std::vector<double> h;
  const double t = std::tan(40.0 * CV_PI / 180.0);
  for (int i = 2; i <= 20; ++i) {
    z.push_back(i);
    h.push_back(std::sqrt(1.0 + t * t * i * i));
  }
  CHECK(h[0] == Approx(1.95355).epsilon(1e-5));
  CHECK(h[18] == Approx(16.8118).epsilon(1e-5));
  RobustLineOptions all;
  all.floor = 10.0;
  const auto whole = FitRobustLine(z, h, all);
  REQUIRE(whole);
  CHECK(std::atan(whole->slope) * 180.0 / CV_PI == Approx(39.6797).margin(1e-4));
  const auto fit = FitHyperboloid(z, h, 1.0);
  REQUIRE(fit);
  CHECK(std::atan(fit->tan_a) * 180.0 / CV_PI == Approx(40.0).margin(1e-3));
  // A constant on top is told from the angle.
  for (double& value : h) value += 0.05;
  const auto blurred = FitHyperboloid(z, h, 1.0);
  REQUIRE(blurred);
  CHECK(std::atan(blurred->tan_a) * 180.0 / CV_PI == Approx(40.0).margin(1e-3));
  CHECK(blurred->c == Approx(0.05).margin(1e-4));
}
