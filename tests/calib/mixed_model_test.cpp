// Variance components, contrasts and equivalence against published results, and at their stated rates in
// simulated studies.
#include <cmath>
#include <random>

#include <Eigen/LU>
#include <catch2/catch.hpp>

#include <calib/equivalence.h>
#include <calib/holm.h>
#include <calib/mixed_model.h>

namespace {

using namespace conebook::calib;

Eigen::VectorXd Vector(const std::vector<double>& values) {
  return Eigen::Map<const Eigen::VectorXd>(values.data(), static_cast<Eigen::Index>(values.size()));
}

// Readings of two groups, each reading a block of its own; one residual variance, or one a group.
MixedData TwoGroups(const std::vector<double>& one, const std::vector<double>& two, bool own_variance) {
  MixedData data;
  std::vector<double> y = one;
  y.insert(y.end(), two.begin(), two.end());
  data.y = Vector(y);
  data.fixed = Eigen::MatrixXd::Zero(data.y.size(), 2);
  for (std::size_t i = 0; i < y.size(); ++i) {
    const int group = i < one.size() ? 0 : 1;
    data.fixed(static_cast<Eigen::Index>(i), group) = 1.0;
    data.block.push_back(static_cast<int>(i));
    data.scatter.push_back(own_variance ? group : 0);
  }
  return data;
}

Difference DifferenceOf(const MixedContrast& contrast) {
  return {contrast.value, contrast.u, contrast.dof};
}

// n readings with exactly this mean and standard deviation.
std::vector<double> WithMeanAndSd(int n, double mean, double sd) {
  std::vector<double> values(static_cast<std::size_t>(n));
  double square = 0.0;
  for (int i = 0; i < n; ++i) {
    values[static_cast<std::size_t>(i)] = i - 0.5 * (n - 1);
    square += values[static_cast<std::size_t>(i)] * values[static_cast<std::size_t>(i)];
  }
  for (double& value : values) value = mean + value * sd / std::sqrt(square / (n - 1));
  return values;
}

}  // namespace

TEST_CASE("variance components of NIST SiRstv, certified one-way analysis of variance", "[calib][mixed]") {
  // NIST Statistical Reference Datasets, SiRstv: mean squares 1.27865654e-2 (4) and 1.0831828e-2 (20).
  const std::vector<double> readings{196.3052, 196.1240, 196.1890, 196.2569, 196.3403, 196.3042, 196.3825,
                                     196.1669, 196.3257, 196.0422, 196.1303, 196.2005, 196.2889, 196.0343,
                                     196.1811, 196.2795, 196.1748, 196.1494, 196.1485, 195.9885, 196.2119,
                                     196.1051, 196.1850, 196.0052, 196.2090};
  constexpr double kBetween = 1.27865654e-2, kWithin = 1.0831828e-2;
  MixedData data;
  data.y = Vector(readings);
  data.fixed = Eigen::MatrixXd::Ones(25, 1);
  RandomEffect instrument{"instrument", {}};
  for (int i = 0; i < 25; ++i) instrument.level.push_back(i / 5);
  data.random = {instrument};
  data.block = instrument.level;
  data.scatter.assign(25, 0);
  const auto fit = MixedFit::Make(data);
  REQUIRE(fit);
  CHECK(fit->Components()[0] == Approx((kBetween - kWithin) / 5.0).epsilon(1e-6));
  CHECK(fit->Components()[1] == Approx(kWithin).epsilon(1e-7));
  CHECK((5.0 * fit->Components()[0] + fit->Components()[1]) / fit->Components()[1] ==
        Approx(1.18046237440255).epsilon(1e-6));
  const auto mean = fit->Contrast(Eigen::VectorXd::Ones(1));
  REQUIRE(mean);
  // The mean of five instruments: their mean square over 25, with its 4 degrees of freedom.
  CHECK(mean->u == Approx(std::sqrt(kBetween / 25.0)).epsilon(1e-7));
  CHECK(mean->dof == Approx(4.0).epsilon(1e-6));
}

TEST_CASE("two groups: NIST AUTO83B, by pooled and by separate variances", "[calib][mixed]") {
  // NIST/SEMATECH e-Handbook 1.3.5.3: T = -12.62059 with 326 dof; Welch's T = -12.94627. Its dof, 136.875, by
  // Welch-Satterthwaite from the printed means and standard deviations.
  const auto one = WithMeanAndSd(249, 20.14458, 6.41470), two = WithMeanAndSd(79, 30.48101, 6.10771);
  Eigen::VectorXd less(2);
  less << 1.0, -1.0;
  const auto pooled = MixedFit::Make(TwoGroups(one, two, false))->Contrast(less);
  REQUIRE(pooled);
  CHECK(pooled->value / pooled->u == Approx(-12.62059).epsilon(1e-6));
  CHECK(pooled->dof == Approx(326.0).epsilon(1e-9));
  const auto welch = MixedFit::Make(TwoGroups(one, two, true))->Contrast(less);
  CHECK(welch->value / welch->u == Approx(-12.94627).epsilon(1e-6));
  CHECK(welch->dof == Approx(136.875).epsilon(1e-5));
}

TEST_CASE("equivalence: the published example of two clinics", "[calib][equivalence]") {
  // The R package "equivalence", data set clinic, as a general statistics library's tests quote it; margin
  // 0.6.
  const std::vector<double> one{2.84, 2.51, 2.41, 2.95, 3.14, 3.79, 4.14, 3.85,
                                3.02, 3.45, 5.37, 3.81, 4.19, 3.16, 3.84},
      two{2.60, 2.82, 2.18, 3.46, 4.01, 3.04, 3.47, 4.06, 2.91, 3.59, 4.51, 3.16, 3.86, 3.31, 3.02};
  Eigen::VectorXd less(2);
  less << 1.0, -1.0;
  const auto welch = MixedFit::Make(TwoGroups(one, two, true))->Contrast(less);
  CHECK(welch->value == Approx(0.1646666666666667).epsilon(1e-10));
  CHECK(welch->u == Approx(0.2531625991083627).epsilon(1e-9));
  CHECK(welch->dof == Approx(26.7484787582315).epsilon(1e-7));
  const EquivalenceTest test = TestEquivalence(DifferenceOf(*welch), 0.6);
  CHECK(test.verdict == Equivalence::kYes);
  CHECK(test.p == Approx(0.04853083976236974).epsilon(1e-7));
  CHECK(test.interval90.lo == Approx(-0.2666862980722534).epsilon(1e-7));
  CHECK(test.interval90.hi == Approx(0.596019631405587).epsilon(1e-7));
  CHECK(TwoSidedP(DifferenceOf(*welch)) == Approx(2.0 * 0.2604786501355416).epsilon(1e-7));
  const auto pooled = MixedFit::Make(TwoGroups(one, two, false))->Contrast(less);
  CHECK(pooled->dof == Approx(28.0).epsilon(1e-9));
  CHECK(TestEquivalence(DifferenceOf(*pooled), 0.6).p == Approx(0.04827315100761467).epsilon(1e-7));
  // Its second variable: 0.5627, se 0.2150, dof 24.11: not shown to lie within 0.6, nor beyond it.
  const EquivalenceTest second =
      TestEquivalence({0.562666666666666, 0.2149871904637392, 24.11000151062728}, 0.6);
  CHECK(second.p == Approx(0.4317936812594803).epsilon(1e-9));
  CHECK(second.verdict == Equivalence::kNotYet);
  CHECK(TestEquivalence({1.2, 0.2149871904637392, 24.11}, 0.6).verdict == Equivalence::kNo);
  // Paired: 30 readings, 15 pairs as fixed effects; se 0.1357514, 14 dof, p 0.003166881.
  MixedData data = TwoGroups(one, two, false);
  data.fixed.conservativeResize(30, 17);
  data.fixed.rightCols(15).setZero();
  for (int i = 0; i < 30; ++i) data.fixed(i, 2 + i % 15) = 1.0;
  Eigen::VectorXd of_pairs = Eigen::VectorXd::Zero(17);
  of_pairs.head(2) = less;
  const auto paired = MixedFit::Make(data)->Contrast(of_pairs);
  REQUIRE(paired);
  CHECK(paired->u == Approx(0.1357514067862445).epsilon(1e-9));
  CHECK(paired->dof == Approx(14.0).epsilon(1e-9));
  CHECK(TestEquivalence(DifferenceOf(*paired), 0.6).p == Approx(0.003166881489265175).epsilon(1e-7));
}

TEST_CASE("a covariate: the difference at equal pressure, analysis of covariance", "[calib][mixed]") {
  // A constructed example, solved with a general least-squares library: offset -0.0118750, se 6.41093e-4,
  // 13 dof, slope -0.00199405.
  const std::vector<double> one{0.412, 0.409, 0.411, 0.405, 0.404, 0.402, 0.400, 0.399},
      two{0.399, 0.400, 0.396, 0.396, 0.391, 0.391, 0.388, 0.386};
  MixedData data = TwoGroups(one, two, false);
  data.fixed.conservativeResize(16, 3);
  for (int i = 0; i < 16; ++i) data.fixed(i, 2) = 2.0 + i % 8;
  const auto fit = MixedFit::Make(data);
  REQUIRE(fit);
  Eigen::VectorXd offset(3), slope(3);
  offset << -1.0, 1.0, 0.0;
  slope << 0.0, 0.0, 1.0;
  CHECK(fit->Contrast(offset)->value == Approx(-0.0118750).epsilon(1e-6));
  CHECK(fit->Contrast(offset)->u == Approx(6.41093e-4).epsilon(1e-5));
  CHECK(fit->Contrast(offset)->dof == Approx(13.0).epsilon(1e-9));
  CHECK(fit->Contrast(slope)->value == Approx(-0.00199405).epsilon(1e-5));
}

TEST_CASE("many readings of few elements count as few elements", "[calib][mixed]") {
  // Balanced: the difference has the elements' mean square and 2 (3 - 1) = 4 degrees of freedom, exactly as
  // if each element had been read once and that reading were its mean.
  std::mt19937 random(7);
  std::normal_distribution<double> normal;
  MixedData data;
  std::vector<double> y, means;
  RandomEffect element{"element", {}};
  for (int e = 0; e < 6; ++e) {
    const double own = 0.01 * normal(random);  // next to no spread of elements: the component comes out low
    double sum = 0.0;
    for (int r = 0; r < 40; ++r) {
      y.push_back(own + normal(random));
      sum += y.back();
      element.level.push_back(e);
    }
    means.push_back(sum / 40.0);
  }
  data.y = Vector(y);
  data.fixed = Eigen::MatrixXd::Zero(240, 2);
  for (int i = 0; i < 240; ++i) data.fixed(i, i < 120 ? 0 : 1) = 1.0;
  data.block = element.level;
  data.random = {element};
  data.scatter.assign(240, 0);
  Eigen::VectorXd less(2);
  less << 1.0, -1.0;
  const auto all = MixedFit::Make(data)->Contrast(less);
  const auto of_means =
      MixedFit::Make(TwoGroups({means[0], means[1], means[2]}, {means[3], means[4], means[5]}, false))
          ->Contrast(less);
  CHECK(all->value == Approx(of_means->value).epsilon(1e-7));
  CHECK(all->u == Approx(of_means->u).epsilon(1e-5));
  CHECK(all->dof == Approx(4.0).epsilon(1e-5));
}

TEST_CASE("what cannot be told is not told", "[calib][mixed]") {
  // Group and day are one and the same.
  MixedData data = TwoGroups({1.0, 1.1, 0.9}, {2.0, 2.2, 2.1}, false);
  data.fixed.conservativeResize(6, 4);
  for (int i = 0; i < 6; ++i) data.fixed.row(i).tail(2) = data.fixed.row(i).head(2);
  const auto fit = MixedFit::Make(data);
  REQUIRE(fit);
  Eigen::VectorXd groups(4);
  groups << 1.0, -1.0, 0.0, 0.0;
  CHECK_FALSE(fit->Contrast(groups));
  std::string why;
  CHECK_FALSE(MixedFit::Make(TwoGroups({1.0}, {2.0}, false), &why));
  CHECK_FALSE(why.empty());
  CHECK_FALSE(MixedFit::Make(TwoGroups({1.0, 1.0}, {2.0, 2.0}, false), &why));
  // One reading an element: what is the element's and what the reading's cannot be told apart.
  data = TwoGroups({1.0, 1.1, 0.9}, {2.0, 2.2, 2.1}, false);
  data.random = {{"element", {0, 1, 2, 3, 4, 5}}};
  CHECK_FALSE(MixedFit::Make(data, &why));
}

TEST_CASE("Holm's adjustment", "[calib][equivalence]") {
  // By hand from the definition: sorted, times 4, 3, 2, 1, never falling.
  CHECK(HolmAdjusted(std::vector<double>{0.01, 0.04, 0.03, 0.005}) ==
        std::vector<double>{0.03, 0.06, 0.06, 0.02});
  CHECK(HolmAdjusted(std::vector<double>{0.7, 0.6}) == std::vector<double>{1.0, 1.0});
  CHECK(HolmAdjusted({}).empty());
  CHECK_THROWS_AS(HolmAdjusted(std::vector<double>{1.2}), std::logic_error);
}

TEST_CASE("power: a difference of one standard deviation, two groups of 17", "[calib][equivalence]") {
  // Cohen's tables (1988, table 2.4.1; from memory): 17 a group for 0.80 at d = 1.0, 64 at d = 0.5.
  const auto power = [](int n, double d) { return PowerToFind(d, std::sqrt(2.0 / n), 2.0 * n - 2.0); };
  CHECK(power(17, 1.0) > 0.80);
  CHECK(power(16, 1.0) < 0.80);
  CHECK(power(64, 0.5) > 0.80);
  CHECK(power(63, 0.5) < 0.80);
  CHECK(Findable(std::sqrt(2.0 / 64), 126.0) == Approx(0.4988).margin(0.002));
}

TEST_CASE("how many elements more a margin needs", "[calib][equivalence]") {
  const Difference difference{0.1, 0.4, 10.0};
  const auto more = ElementsMore(difference, 0.6, {0.4, 0.0, 12});
  REQUIRE(more);
  CHECK(*more > 0);
  const double u = 0.4 * std::sqrt(12.0 / (12.0 + *more));
  CHECK(TestEquivalence({0.1, u, 10.0 + *more}, 0.6).verdict == Equivalence::kYes);
  CHECK_FALSE(ElementsMore({0.7, 0.4, 10.0}, 0.6, {0.4, 0.0, 12}));  // larger than the margin as it stands
  CHECK_FALSE(ElementsMore(difference, 0.6, {0.2, 0.35, 12}));       // what is shared stays
}

// Drawn here; no source. Student's interval of the one part and the normal one of the other are exact.
TEST_CASE("two elements that agree by chance do not make a difference sure", "[calib][equivalence]") {
  std::mt19937 random(20310504);
  std::normal_distribution<double> normal;
  constexpr int kDraws = 2500;
  for (const int dof : {1, 2, 8}) {
    for (const double known : {0.0, 0.3, 1.0, 3.0}) {
      int covered = 0;
      for (int draw = 0; draw < kDraws; ++draw) {
        double squares = 0.0;
        for (int k = 0; k < dof; ++k) squares += std::pow(normal(random), 2);
        const double u_few = std::sqrt(squares / dof);
        const Difference difference{normal(random) + known * normal(random), std::hypot(u_few, known),
                                    DofOfSum(u_few, dof, known)};
        const Interval interval = IntervalOf(difference, 0.95);
        covered += interval.lo <= 0.0 && 0.0 <= interval.hi ? 1 : 0;
      }
      CAPTURE(dof, known, covered);
      CHECK(covered >= 0.94 * kDraws);
      CHECK(covered <= (dof == 1 ? 0.995 : 0.985) * kDraws);
    }
  }
  CHECK(DofOfSum(0.2, 3.0, 0.0) == Approx(3.0).epsilon(1e-6));
  CHECK(DofOfSum(1e-9, 3.0, 1.0) > 1e5);
}
