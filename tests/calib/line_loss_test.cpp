// Loss of a fitting: zeta * density * v^2 / 2 (any handbook of hydraulic resistance, from memory). Worked by
// hand: zeta 0.5, bore 10 mm, 2 m/s of water of 998.2 kg/m3: 998.2 Pa at 1.5708e-4 m3/s.
#include <cmath>
#include <numbers>
#include <random>

#include <catch2/catch.hpp>

#include <calib/line_loss.h>
#include <calib/quantity.h>

using namespace conebook::calib;

TEST_CASE("the loss of a worked fitting follows from its zeta", "[calib][line_loss]") {
  const double area_m2 = std::numbers::pi / 4.0 * 0.01 * 0.01;
  const double k = 0.5 / (2.0 * area_m2 * area_m2);
  CHECK(LineLossPa(k, 998.2, 2.0 * area_m2) == Approx(998.2).epsilon(1e-12));
  CHECK(LineLossPa(k, 998.2, 4.0 * area_m2) == Approx(4.0 * 998.2).epsilon(1e-12));
  // zeta 1 turns the whole velocity head to loss: the line then passes like its own area.
  CHECK(FlowAreaOfLineMm2(1.0 / (2.0 * area_m2 * area_m2)) == Approx(78.5398).epsilon(1e-5));
}

TEST_CASE("a run with the element removed gives back the line that made it, with a u that covers it",
          "[calib][line_loss]") {
  std::mt19937 random(4);
  std::normal_distribution<double> gauss(0.0, 1.0);
  const double k = 2.5e9;
  int covered = 0;
  constexpr int kRuns = 500;
  for (int run = 0; run < kRuns; ++run) {
    std::vector<LineRun> points;
    for (const double flow_l_s : {0.05, 0.1, 0.15, 0.2, 0.25, 0.3}) {
      const double flow = 1e-3 * flow_l_s, u_flow = 0.005 * flow, u_loss = 20.0;
      points.push_back({998.2, flow + u_flow * gauss(random), u_flow,
                        LineLossPa(k, 998.2, flow) + u_loss * gauss(random), u_loss});
    }
    const auto fit = FitLineLoss(points);
    REQUIRE(fit);
    covered += std::abs(fit->k_per_m4 - k) <= CoverageFactor95(fit->dof) * fit->u_k_per_m4 ? 1 : 0;
    REQUIRE(fit->exponent);
    CHECK(*fit->exponent == Approx(2.0).margin(0.06));
  }
  CHECK(covered >= 475);
  CHECK(covered <= 499);
}

TEST_CASE("laminar flow in a thin line shows in the exponent", "[calib][line_loss]") {
  std::vector<LineRun> points;
  for (const double flow_l_s : {0.05, 0.1, 0.2})
    points.push_back({998.2, 1e-3 * flow_l_s, 0.0, 4e6 * flow_l_s, 10.0});
  CHECK(*FitLineLoss(points)->exponent == Approx(1.0).margin(1e-9));
}

TEST_CASE("a line without flow or with one point alone has no fit", "[calib][line_loss]") {
  CHECK_FALSE(FitLineLoss({}));
  CHECK_FALSE(FitLineLoss({{998.2, 1e-4, 1e-6, 1000.0, 10.0}}));
  CHECK_FALSE(FitLineLoss({{998.2, 0.0, 1e-6, 1000.0, 10.0}, {998.2, 0.0, 1e-6, 1000.0, 10.0}}));
}
