// Pearson's data with York's weights: Reed (1989), Am. J. Phys. 57(7):642-646 and the others who took them
// up; data, slope and intercept as an open fitting library's test quotes them (Williamson: 5.47991022403,
// -0.48053340745), standard deviations by the equations of York et al. (2004) as another one's test does
// (0.294971, 0.057985). Certified values without errors in x: NIST StRD Norris, NoInt1. Thermometer: JCGM
// 100:2008 H.3.
#include <cmath>
#include <limits>
#include <random>

#include <catch2/catch.hpp>

#include <calib/curve_fit.h>
#include <calib/quantity.h>

using namespace conebook::calib;

namespace {

std::vector<FitPoint> PearsonWithYorksWeights() {
  const std::vector<double> x{0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4},
      weight_x{1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1.0},
      y{5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5}, weight_y{1, 1.8, 4, 8, 20, 20, 70, 70, 100, 500};
  std::vector<FitPoint> points;
  for (std::size_t i = 0; i < x.size(); ++i)
    points.push_back({x[i], y[i], 1.0 / std::sqrt(weight_x[i]), 1.0 / std::sqrt(weight_y[i])});
  return points;
}

std::vector<FitPoint> ThermometerOfTheGum() {
  const std::vector<double> t{21.521, 22.012, 22.512, 23.003, 23.507, 23.999,
                              24.513, 25.002, 25.503, 26.010, 26.511};
  const std::vector<double> b{-0.171, -0.169, -0.166, -0.159, -0.164, -0.165,
                              -0.156, -0.157, -0.159, -0.161, -0.160};
  std::vector<FitPoint> points;
  for (std::size_t i = 0; i < t.size(); ++i) points.push_back({t[i] - 20.0, b[i], 0.0, 0.0});
  return points;
}

}  // namespace

TEST_CASE("the straight line with errors in both variables meets the published one", "[calib][curve_fit]") {
  const auto fit = FitCurve(PearsonWithYorksWeights(), {0, 1});
  REQUIRE(fit);
  CHECK(fit->coefficients[0] == Approx(5.47991022403).epsilon(1e-9));
  CHECK(fit->coefficients[1] == Approx(-0.48053340745).epsilon(1e-9));
  // The points scatter more than their u (11.866 on 8 degrees): the published sd are before that is taken up.
  CHECK(fit->chi_squared == Approx(11.866353).epsilon(1e-6));
  const double widened = std::sqrt(fit->chi_squared / 8.0);
  CHECK(std::sqrt(fit->covariance(0, 0)) / widened == Approx(0.294971).epsilon(1e-5));
  CHECK(std::sqrt(fit->covariance(1, 1)) / widened == Approx(0.057985).epsilon(1e-5));
  CHECK(fit->covariance(0, 1) < 0.0);
}

TEST_CASE("swapping what is x and what is y gives the same line: neither variable is favoured",
          "[calib][curve_fit]") {
  std::vector<FitPoint> swapped;
  for (const FitPoint& p : PearsonWithYorksWeights()) swapped.push_back({p.y, p.x, p.u_y, p.u_x});
  const auto fit = FitCurve(swapped, {0, 1});
  REQUIRE(fit);
  CHECK(1.0 / fit->coefficients[1] == Approx(-0.48053340745).epsilon(1e-8));
}

TEST_CASE("without errors in x the lines meet NIST Norris and NoInt1", "[calib][curve_fit]") {
  const std::vector<double> y{0.1, 338.8, 118.1, 888.0, 9.2,   228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3,
                              0.1, 778.1, 668.8, 339.3, 448.9, 10.8,  557.7, 228.3, 998.0, 888.8, 119.6, 0.3,
                              0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2,  117.6, 228.9, 668.4, 449.2, 0.2};
  const std::vector<double> x{0.2, 337.4, 118.2, 884.6, 10.1,  226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4,
                              0.6, 775.5, 666.9, 338.0, 447.5, 11.6,  556.0, 228.1, 995.8, 887.6, 120.2, 0.3,
                              0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1,  118.3, 229.2, 669.1, 448.9, 0.5};
  std::vector<FitPoint> norris, no_intercept;
  for (std::size_t i = 0; i < x.size(); ++i) norris.push_back({x[i], y[i], 0.0, 0.0});
  const auto line = FitCurve(norris, {0, 1});
  REQUIRE(line);
  CHECK(line->coefficients[0] == Approx(-0.262323073774029).epsilon(1e-10));
  CHECK(line->coefficients[1] == Approx(1.00211681802045).epsilon(1e-12));
  CHECK(std::sqrt(line->covariance(0, 0)) == Approx(0.232818234301152).epsilon(1e-9));
  CHECK(std::sqrt(line->covariance(1, 1)) == Approx(0.429796848199937e-03).epsilon(1e-9));
  CHECK(line->chi_squared == Approx(26.6173985294224).epsilon(1e-9));
  CHECK(line->dof == 34);
  for (int i = 0; i <= 10; ++i) no_intercept.push_back({60.0 + i, 130.0 + i, 0.0, 0.0});
  const auto origin = FitCurve(no_intercept, {1});
  REQUIRE(origin);
  CHECK(origin->coefficients[0] == Approx(2.07438016528926).epsilon(1e-13));
  CHECK(std::sqrt(origin->covariance(0, 0)) == Approx(0.165289256198347e-01).epsilon(1e-10));
}

TEST_CASE("the correction of the GUM's thermometer at 30 C carries the printed u, correlation and all",
          "[calib][curve_fit]") {
  const auto fit = FitCurve(ThermometerOfTheGum(), {0, 1});
  REQUIRE(fit);
  CHECK(fit->coefficients[0] == Approx(-0.1712).margin(5e-5).epsilon(0));
  CHECK(fit->coefficients[1] == Approx(0.00218).margin(5e-6).epsilon(0));
  CHECK(fit->At(10.0) == Approx(-0.1494).margin(5e-5).epsilon(0));
  CHECK(fit->UAt(10.0) == Approx(0.0041).margin(5e-5).epsilon(0));
  // Without the correlation it would be 0.0073.
  CHECK(std::sqrt(fit->covariance(0, 0) + 100.0 * fit->covariance(1, 1)) > 0.007);
}

TEST_CASE("over drawn errors in both variables the fit's 95 % interval covers the true curve",
          "[calib][curve_fit]") {
  std::mt19937 random(11);
  std::normal_distribution<double> gauss(0.0, 1.0);
  const auto truth = [](double x) { return 2.0 + 1.5 * x + 0.2 * x * x; };
  int covered = 0;
  constexpr int kTrials = 1000;
  for (int trial = 0; trial < kTrials; ++trial) {
    std::vector<FitPoint> points;
    for (int i = 0; i < 12; ++i) {
      const double x = 0.5 * i;
      points.push_back({x + 0.04 * gauss(random), truth(x) + 0.05 * gauss(random), 0.04, 0.05});
    }
    const auto fit = FitCurve(points, {0, 1, 2});
    REQUIRE(fit);
    const double at = 3.3;
    covered += std::abs(fit->At(at) - truth(at)) <= CoverageFactor95(fit->dof) * fit->UAt(at) ? 1 : 0;
  }
  // u is widened, never narrowed, by the scatter: above 95 %, and not all.
  CHECK(covered >= 950);
  CHECK(covered <= 995);
}

TEST_CASE("a curve that the points do not determine is absent", "[calib][curve_fit]") {
  const double nan = std::numeric_limits<double>::quiet_NaN();
  CHECK_FALSE(FitCurve({}, {1}));
  CHECK_FALSE(FitCurve({{1, 1, 0, 0}}, {1}));
  CHECK_FALSE(FitCurve({{1, 1, 0, 0}, {2, 2, 0, 0}}, {0, 1}));
  CHECK_FALSE(FitCurve({{2, 1, 0, 0}, {2, 2, 0, 0}, {2, 3, 0, 0}}, {0, 1}));
  CHECK_FALSE(FitCurve({{1, nan, 0, 0}, {2, 2, 0, 0}, {3, 3, 0, 0}}, {0, 1}));
  CHECK_FALSE(FitCurve({{1, 1, 0, 0}, {2, 2, 0, 0.1}, {3, 3, 0, 0}}, {0, 1}));
  CHECK_FALSE(FitCurve({{1, 1, 0, -0.1}, {2, 2, 0, 0.1}, {3, 3, 0, 0.1}}, {0, 1}));
}

TEST_CASE("a term that the points want is told from one that they do not", "[calib][curve_fit]") {
  std::mt19937 random(3);
  std::normal_distribution<double> gauss(0.0, 0.05);
  std::vector<FitPoint> bent, straight;
  for (int i = 0; i < 10; ++i) {
    bent.push_back({1.0 * i, 3.0 + 0.5 * i + 0.05 * i * i + gauss(random), 0.0, 0.0});
    straight.push_back({1.0 * i, 3.0 + 0.5 * i + gauss(random), 0.0, 0.0});
  }
  CHECK(ChanceOfTerm(*FitCurve(bent, {0, 1}), *FitCurve(bent, {0, 1, 2})) < 1e-4);
  CHECK(ChanceOfTerm(*FitCurve(straight, {0, 1}), *FitCurve(straight, {0, 1, 2})) > 0.05);
  CHECK(ChanceOfTerm(*FitCurve(straight, {0, 1}), *FitCurve(straight, {0, 1})) == 1.0);
}
