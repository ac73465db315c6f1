// Certified values: NIST Statistical Reference Datasets, linear regression (NoInt1, NoInt2, Norris).
#include <limits>

#include <catch2/catch.hpp>

#include <calib/regression.h>

using namespace conebook::calib;

TEST_CASE("the line through the origin meets NIST NoInt1", "[calib][regression]") {
  std::vector<double> x, y;
  for (int i = 0; i <= 10; ++i) {
    x.push_back(60.0 + i);
    y.push_back(130.0 + i);
  }
  const auto fit = FitThroughOrigin(x, y);
  REQUIRE(fit);
  CHECK(fit->slope == Approx(2.07438016528926).epsilon(1e-13));
  CHECK(fit->sd_slope.value() == Approx(0.165289256198347e-01).epsilon(1e-11));
  CHECK(fit->residual_ss == Approx(127.272727272727).epsilon(1e-11));
  CHECK(fit->r_squared_about_zero == Approx(0.999365492298663).epsilon(1e-13));
  CHECK(fit->dof == 10);
}

TEST_CASE("the line through the origin meets NIST NoInt2", "[calib][regression]") {
  const auto fit = FitThroughOrigin({4.0, 5.0, 6.0}, {3.0, 4.0, 4.0});
  REQUIRE(fit);
  CHECK(fit->slope == Approx(0.727272727272727).epsilon(1e-13));
  CHECK(fit->sd_slope.value() == Approx(0.420827318078432e-01).epsilon(1e-12));
  CHECK(fit->residual_ss == Approx(0.272727272727273).epsilon(1e-12));
  CHECK(fit->r_squared_about_zero == Approx(0.993348115299335).epsilon(1e-13));
  CHECK(fit->dof == 2);
}

TEST_CASE("the straight line meets NIST Norris", "[calib][regression]") {
  const std::vector<double> y{0.1, 338.8, 118.1, 888.0, 9.2,   228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3,
                              0.1, 778.1, 668.8, 339.3, 448.9, 10.8,  557.7, 228.3, 998.0, 888.8, 119.6, 0.3,
                              0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2,  117.6, 228.9, 668.4, 449.2, 0.2};
  const std::vector<double> x{0.2, 337.4, 118.2, 884.6, 10.1,  226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4,
                              0.6, 775.5, 666.9, 338.0, 447.5, 11.6,  556.0, 228.1, 995.8, 887.6, 120.2, 0.3,
                              0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1,  118.3, 229.2, 669.1, 448.9, 0.5};
  const auto fit = FitLine(x, y);
  REQUIRE(fit);
  CHECK(fit->intercept == Approx(-0.262323073774029).epsilon(1e-11));
  CHECK(fit->slope == Approx(1.00211681802045).epsilon(1e-13));
  CHECK(fit->sd_intercept.value() == Approx(0.232818234301152).epsilon(1e-11));
  CHECK(fit->sd_slope.value() == Approx(0.429796848199937e-03).epsilon(1e-11));
  CHECK(fit->residual_sd.value() == Approx(0.884796396144373).epsilon(1e-11));
  CHECK(fit->r_squared == Approx(0.999993745883712).epsilon(1e-13));
  CHECK(fit->dof == 34);
}

TEST_CASE("slope and intercept of the thermometer of GUM H.3 are correlated as printed",
          "[calib][regression]") {
  // JCGM 100:2008 H.3: y1 = -0.1712 (u 0.0029), y2 = 0.00218 (u 0.00067), r = -0.930.
  const std::vector<double> t{21.521, 22.012, 22.512, 23.003, 23.507, 23.999,
                              24.513, 25.002, 25.503, 26.010, 26.511};
  const std::vector<double> b{-0.171, -0.169, -0.166, -0.159, -0.164, -0.165,
                              -0.156, -0.157, -0.159, -0.161, -0.160};
  std::vector<double> x;
  for (const double value : t) x.push_back(value - 20.0);
  const auto fit = FitLine(x, b);
  REQUIRE(fit);
  CHECK(fit->intercept == Approx(-0.1712).margin(5e-5).epsilon(0));
  CHECK(fit->sd_intercept.value() == Approx(0.0029).margin(5e-5).epsilon(0));
  CHECK(fit->slope == Approx(0.00218).margin(5e-6).epsilon(0));
  CHECK(fit->sd_slope.value() == Approx(0.00067).margin(5e-6).epsilon(0));
  CHECK(fit->covariance.value() / (*fit->sd_slope * *fit->sd_intercept) ==
        Approx(-0.930).margin(5e-4).epsilon(0));
}

TEST_CASE("a line that is not determined is absent, and one without redundancy has no sd",
          "[calib][regression]") {
  const double nan = std::numeric_limits<double>::quiet_NaN();
  CHECK_FALSE(FitThroughOrigin({}, {}));
  CHECK_FALSE(FitThroughOrigin({0.0, 0.0}, {1.0, 2.0}));
  CHECK_FALSE(FitThroughOrigin({1.0, nan}, {1.0, 2.0}));
  CHECK_FALSE(FitLine({1.0}, {1.0}));
  CHECK_FALSE(FitLine({2.0, 2.0, 2.0}, {1.0, 2.0, 3.0}));
  CHECK_FALSE(FitThroughOrigin({2.0}, {4.0})->sd_slope);
  CHECK_FALSE(FitLine({1.0, 2.0}, {1.0, 2.0})->sd_slope);
  CHECK_THROWS_AS(FitLine({1.0, 2.0}, {1.0}), std::logic_error);
}
