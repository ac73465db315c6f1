// The law with a prior against ordinary least squares (NIST Statistical Reference Datasets, certified values
// typed in) where the prior is flat, against itself without a row, and against simulated elements.
#include <cmath>
#include <random>

#include <boost/math/distributions/students_t.hpp>
#include <catch2/catch.hpp>

#include <calib/convex_hull.h>
#include <calib/size_law.h>

using namespace conebook::calib;

namespace {

std::vector<LawRow> Longley() {
  const double table[16][7] = {
      {60323, 83.0, 234289, 2356, 1590, 107608, 1947},  {61122, 88.5, 259426, 2325, 1456, 108632, 1948},
      {60171, 88.2, 258054, 3682, 1616, 109773, 1949},  {61187, 89.5, 284599, 3351, 1650, 110929, 1950},
      {63221, 96.2, 328975, 2099, 3099, 112075, 1951},  {63639, 98.1, 346999, 1932, 3594, 113270, 1952},
      {64989, 99.0, 365385, 1870, 3547, 115094, 1953},  {63761, 100.0, 363112, 3578, 3350, 116219, 1954},
      {66019, 101.2, 397469, 2904, 3048, 117388, 1955}, {67857, 104.6, 419180, 2822, 2857, 118734, 1956},
      {68169, 108.4, 442769, 2936, 2798, 120445, 1957}, {66513, 110.8, 444546, 4681, 2637, 121950, 1958},
      {68655, 112.6, 482704, 3813, 2552, 123366, 1959}, {69564, 114.2, 502601, 3931, 2514, 125368, 1960},
      {69331, 115.7, 518173, 4806, 2572, 127852, 1961}, {70551, 116.9, 554894, 4007, 2827, 130081, 1962}};
  std::vector<LawRow> rows;
  for (const auto& line : table) {
    LawRow row;
    row.y = line[0];
    row.x.assign(line + 1, line + 7);
    rows.push_back(row);
  }
  return rows;
}

// Theory's errors, batches and elements drawn from a prior; rows measured with errors of their own, of their
// dimensions and of the day.
struct Simulated {
  LawPrior prior;
  std::vector<LawRow> rows;
  double target_y = 0.0;
  std::vector<double> target_x;
};

double HalfT(std::mt19937& random, double scale) {
  std::student_t_distribution<double> t(4.0);
  return std::abs(t(random)) * scale;
}

Simulated Draw(std::uint32_t seed, int batches, int per_batch, double target_reach) {
  std::mt19937 random(seed);
  std::normal_distribution<double> normal;
  std::uniform_real_distribution<double> uniform(-1.0, 1.0);
  Simulated s;
  s.prior.centre = {-1.0, 1.2};
  s.prior.constant_sd = 0.25;
  s.prior.slope_sd = {0.2, 0.2};
  s.prior.element_sd = 0.02;
  s.prior.group_sd = 0.02;
  const double constant = 0.25 * normal(random), a = 0.2 * normal(random), b = 0.2 * normal(random);
  const double element_sd = HalfT(random, 0.02), group_sd = HalfT(random, 0.02);
  const auto law = [&](const std::vector<double>& x) {
    return constant + a * (x[0] + 1.0) + b * (x[1] - 1.2);
  };
  const std::vector<double> days{0.004 * normal(random), 0.004 * normal(random)};
  for (int g = 0; g < batches; ++g) {
    const std::vector<double> nominal{-1.0 + 0.6 * uniform(random), 1.2 + 0.4 * uniform(random)};
    const double batch = group_sd * normal(random);
    for (int e = 0; e < per_batch; ++e) {
      LawRow row;
      row.group = g;
      row.u = 0.004;
      // One dimension in error by 1 %, which moves y by -2 of it and the two x by -1 each: an exit diameter.
      row.dimensions = {{0.01, -2.0, {-1.0, -1.0}}};
      const double off = 0.01 * normal(random);
      row.x = {nominal[0] - off, nominal[1] - off};
      row.shared = {e % 2 == 0 ? 0.004 : 0.0, e % 2 == 1 ? 0.004 : 0.0};
      row.y = law(nominal) + batch + element_sd * normal(random) + 0.004 * normal(random) - 2.0 * off +
              days[static_cast<std::size_t>(e % 2)];
      s.rows.push_back(row);
    }
  }
  s.target_x = {-1.0 + 0.6 * target_reach * uniform(random), 1.2 + 0.4 * target_reach * uniform(random)};
  s.target_y = law(s.target_x) + group_sd * normal(random) + element_sd * normal(random);
  return s;
}

void RequireCoverage(int draws, int batches, int per_batch, double reach) {
  int held = 0, left_held = 0, left = 0;
  for (int k = 0; k < draws; ++k) {
    const Simulated s = Draw(1000U + static_cast<std::uint32_t>(k), batches, per_batch, reach);
    const auto fit = FitLaw(s.rows, s.prior);
    REQUIRE(fit);
    const LawPrediction prediction = PredictLaw(*fit, s.target_x);
    held += prediction.interval95.lo <= s.target_y && s.target_y <= prediction.interval95.hi ? 1 : 0;
    for (std::size_t i = 0; i < s.rows.size(); ++i) {
      const Interval& interval = fit->left_out[i].interval95;
      left_held += interval.lo <= s.rows[i].y && s.rows[i].y <= interval.hi ? 1 : 0;
      ++left;
    }
  }
  CAPTURE(draws, batches, per_batch, reach, held, left_held, left);
  // Three standard deviations of a share of 0.95.
  const double slack = 3.0 * std::sqrt(0.95 * 0.05 / draws);
  CHECK(held >= (0.95 - slack) * draws);
  CHECK(held <= std::min(1.0, 0.95 + slack) * draws);
  // Rows of one draw go together: as if each draw told no more than two of them.
  if (left > 0) CHECK(std::abs(static_cast<double>(left_held) / left - 0.95) <= slack);
}

}  // namespace

TEST_CASE("with a flat prior the law meets NIST Longley", "[calib][size_law]") {
  const auto fit = FitLaw(Longley(), {});
  REQUIRE(fit);
  const double certified[6] = {15.0618722713733,  -0.358191792925910e-01, -2.02022980381683,
                               -1.03322686717359, -0.511041056535807e-01, 1829.15146461355};
  // The normal equations of centred, scaled columns lose the digits of their condition, some 1e4.
  for (int j = 0; j < 6; ++j) CHECK(fit->mean[1 + j] == Approx(certified[j]).epsilon(1e-8));
  const LawPrediction at_zero = PredictLaw(*fit, std::vector<double>(6, 0.0));
  CHECK(at_zero.mean == Approx(-3482258.63459582).epsilon(1e-8));
  // Student's t with 9 degrees of freedom has variance 9/7 of the squared standard deviation.
  const double sd[6] = {84.9149257747669,  0.334910077722432e-01, 0.488399681651699,
                        0.214274163161675, 0.226073200069370,     455.478499142212};
  for (int j = 0; j < 6; ++j)
    CHECK(std::sqrt(fit->covariance(1 + j, 1 + j) * 7.0 / 9.0) == Approx(sd[j]).epsilon(1e-4));
  // A new observation at the mean of all: variance s^2 (1 + 1/n), Student's t.
  const double s = 304.854073561965;
  const LawPrediction middle = PredictLaw(*fit, fit->centre);
  const double t = boost::math::quantile(boost::math::students_t_distribution<double>(9.0), 0.975);
  const double half = t * s * std::sqrt(1.0 + 1.0 / 16.0);
  CHECK(middle.interval95.hi - middle.mean == Approx(half).epsilon(1e-4));
  CHECK(middle.mean - middle.interval95.lo == Approx(half).epsilon(1e-4));
  // And far out, where the law itself is most of it: the certified standard deviation of the constant.
  const double far = t * std::sqrt(890420.383607373 * 890420.383607373 + s * s);
  CHECK(at_zero.interval95.hi - at_zero.mean == Approx(far).epsilon(1e-4));
}

TEST_CASE("a row left out is foretold as by a fit without it", "[calib][size_law]") {
  for (const bool flat : {true, false}) {
    Simulated s = Draw(7, 5, 3, 1.0);
    for (LawRow& row : s.rows) {
      row.dimensions.clear();  // whose share follows the law, with the row or without
      row.shared.clear();
      row.group = -1;
    }
    s.prior.group_sd.reset();
    const auto fit = FitLaw(s.rows, flat ? LawPrior{} : s.prior);
    REQUIRE(fit);
    for (std::size_t i = 0; i < s.rows.size(); ++i) {
      std::vector<LawRow> others = s.rows;
      others.erase(others.begin() + static_cast<std::ptrdiff_t>(i));
      const auto without = FitLaw(others, flat ? LawPrior{} : s.prior);
      REQUIRE(without);
      // The row's measurement has its own error beside what is true of the element.
      const LawPrediction alone = PredictLaw(*without, s.rows[i].x, 1, {{s.rows[i].u, 1.0, {}}});
      CHECK(fit->left_out[i].mean == Approx(alone.mean).margin(1e-4 * alone.sd));
      CHECK(fit->left_out[i].sd == Approx(alone.sd).epsilon(1e-3));
      CHECK(fit->left_out[i].interval95.hi == Approx(alone.interval95.hi).margin(1e-3 * alone.sd));
    }
  }
}

TEST_CASE("without a row the law is its prior", "[calib][size_law]") {
  LawPrior prior;
  prior.centre = {-1.0};
  prior.constant_sd = 0.3;
  prior.slope_sd = {0.2};
  prior.element_sd = 0.001;
  const auto fit = FitLaw({}, prior);
  REQUIRE(fit);
  const LawPrediction at = PredictLaw(*fit, {1.0});
  CHECK(at.mean == 0.0);
  CHECK(at.sd == Approx(std::hypot(0.3, 0.4)).epsilon(1e-4));
  CHECK(at.interval95.hi == Approx(1.96 * 0.5).epsilon(1e-3));
  CHECK_FALSE(FitLaw({}, LawPrior{{0.0}, INFINITY, {}, 0.02, {}}));  // flat, and nothing to tell it
}

TEST_CASE("many elements of one batch do not make the law certain", "[calib][size_law]") {
  // A hundred elements, all of one batch: what the batch has of its own stays unknown.
  LawPrior prior;
  prior.centre = {0.0};
  prior.constant_sd = 0.3;
  prior.slope_sd = {0.2};
  prior.element_sd = 0.02;
  prior.group_sd = 0.02;
  std::mt19937 random(3);
  std::normal_distribution<double> normal;
  std::vector<LawRow> rows;
  for (int i = 0; i < 100; ++i) rows.push_back({0.01 * normal(random), {0.0}, 0.001, {}, {}, 0});
  const auto fit = FitLaw(rows, prior);
  REQUIRE(fit);
  const LawPrediction at = PredictLaw(*fit, {0.0}, 100);
  CHECK(at.sd > 0.02);
  // And a meter that all share is no more certain for being read a hundred times.
  for (LawRow& row : rows) {
    row.group = -1;
    row.shared = {0.05};
  }
  const auto shared = FitLaw(rows, prior);
  REQUIRE(shared);
  CHECK(PredictLaw(*shared, {0.0}, 100).law_sd > 0.045);
  // Nor does one more test with that meter take its error away.
  CHECK(SdAfterOneMore(*shared, {0.0}, {0.0}, 0.001) > 0.99 * PredictLaw(*shared, {0.0}).sd);
}

TEST_CASE("one more element lessens the spread by what a fit with it says", "[calib][size_law]") {
  const Simulated s = Draw(11, 6, 1, 1.0);
  LawPrior prior = s.prior;
  prior.group_sd.reset();
  std::vector<LawRow> rows = s.rows;
  for (LawRow& row : rows) row.dimensions.clear();
  const auto fit = FitLaw(rows, prior);
  REQUIRE(fit);
  const std::vector<double> target{-0.3, 1.7}, near{-0.4, 1.6}, far{-1.6, 0.8};
  const double before = PredictLaw(*fit, target).sd;
  const double by_near = SdAfterOneMore(*fit, target, near, 0.004),
               by_far = SdAfterOneMore(*fit, target, far, 0.004);
  CHECK(by_near < by_far);
  CHECK(by_far <= before * (1.0 + 1e-9));
  // Measured as foretold, so that the spreads are not moved by a surprise.
  LawRow more;
  more.x = near;
  more.y = PredictLaw(*fit, near).mean;
  more.u = 0.004;
  more.shared = {0.002, 0.002};  // as a row has them on average
  rows.push_back(more);
  const auto again = FitLaw(rows, prior);
  REQUIRE(again);
  CHECK(PredictLaw(*again, target).sd == Approx(by_near).epsilon(0.15));
}

TEST_CASE("inside the hull is told from outside, exactly", "[calib][size_law]") {
  std::vector<std::vector<double>> square{{0, 0}, {1, 0}, {0, 1}, {1, 1}, {0.5, 0.5}};
  CHECK(DistanceFromHull(square, {0.3, 0.9}).distance < 1e-6);
  CHECK(DistanceFromHull(square, {1.0, 1.0}).distance < 1e-6);
  CHECK(DistanceFromHull(square, {1.5, 0.5}).distance == Approx(0.5).epsilon(1e-5));
  CHECK(DistanceFromHull(square, {2.0, 2.0}).distance == Approx(std::sqrt(2.0)).epsilon(1e-5));
  CHECK(DistanceFromHull(square, {1.5, 0.5}).nearest[0] == Approx(1.0).epsilon(1e-5));
  // A triangle's hypotenuse: inside both ranges, outside the hull.
  CHECK(DistanceFromHull({{0, 0}, {1, 0}, {0, 1}}, {0.75, 0.75}).distance ==
        Approx(std::sqrt(0.125)).epsilon(1e-5));
  CHECK(DistanceFromHull({{0.3, 0.2}}, {0.3, 0.2}).distance == 0.0);
  CHECK(DistanceFromHull({{0.0, 0.0}}, {3.0, 4.0}).distance == Approx(5.0));
  // In four dimensions, against what makes a simplex: shares of its corners.
  std::mt19937 random(5);
  std::uniform_real_distribution<double> uniform(-1.0, 1.0);
  for (int trial = 0; trial < 200; ++trial) {
    std::vector<std::vector<double>> corners{
        {0, 0, 0, 0}, {1, 0, 0, 0}, {0, 1, 0, 0}, {0, 0, 1, 0}, {0, 0, 0, 1}};
    std::vector<double> x;
    double sum = 0.0;
    bool inside = true;
    for (int j = 0; j < 4; ++j) {
      x.push_back(0.4 * uniform(random) + 0.2);
      sum += x.back();
      inside = inside && x.back() >= 0.0;
    }
    inside = inside && sum <= 1.0;
    CHECK((DistanceFromHull(corners, x).distance < 1e-6) == inside);
  }
}

TEST_CASE("intervals of a new element and of rows left out hold at their rate", "[calib][size_law]") {
  RequireCoverage(150, 6, 2, 1.0);
}

TEST_CASE("intervals hold over hundreds of draws, with few batches and with many",
          "[calib][size_law][.long]") {
  RequireCoverage(800, 6, 2, 1.0);
  RequireCoverage(800, 3, 1, 1.0);
  RequireCoverage(800, 10, 5, 1.0);
  RequireCoverage(800, 6, 3, 2.0);
}
