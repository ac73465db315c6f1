// Drop-size statistics against the project's reference of published relations (section 4). Marks as there:
// [mem] a formula remembered from the named source, [read] a figure read in it, [calc] recomputed from the
// printed formula.
#include <algorithm>
#include <cmath>
#include <random>

#include <catch2/catch.hpp>

#include <calib/drop_statistics.h>

using namespace conebook::calib;

namespace {

// The reference's constructed histogram (not published; integer arithmetic), class middles and counts: 680
// drops.
constexpr int kClasses[][2] = {{20, 50},  {40, 120}, {60, 200}, {80, 160},
                               {100, 90}, {120, 40}, {140, 15}, {160, 5}};

DropSample ConstructedDrops() {
  DropSample s;
  for (const auto& c : kClasses) s.diameter_um.insert(s.diameter_um.end(), c[1], c[0]);
  return s;
}

double Uniform(std::mt19937_64& random) {
  return (static_cast<double>(random() >> 11) + 0.5) * 0x1p-53;
}

double Normal(std::mt19937_64& random) {
  return std::sqrt(-2.0 * std::log(Uniform(random))) * std::cos(6.283185307179586 * Uniform(random));
}

DropSample LogNormalDrops(int count, double median_um, double sigma_ln, std::mt19937_64& random) {
  DropSample s;
  for (int i = 0; i < count; ++i) s.diameter_um.push_back(median_um * std::exp(sigma_ln * Normal(random)));
  return s;
}

const DropStatistics& Good(const std::variant<DropStatistics, NoDropStatistics>& result) {
  return std::get<DropStatistics>(result);
}

// Of `runs` draws with chance p the count stays within 3.3 standard deviations (1 in 1000).
bool RateHolds(int hits, int runs, double p) {
  return std::abs(hits - runs * p) < 3.3 * std::sqrt(runs * p * (1.0 - p));
}

}  // namespace

TEST_CASE("moment means of the constructed histogram are those of exact arithmetic", "[calib][drops]") {
  // D[p,q]: Mugele & Evans (1951), ISO 9276-2 [mem]; values [calc]; that Sauter is 3, 2 was read
  // (Thermopedia).
  const DropSample s = ConstructedDrops();
  const double rows[][3] = {{1, 0, 69.5588}, {2, 0, 75.2838}, {3, 0, 80.4418},
                            {2, 1, 81.4799}, {3, 1, 86.5061}, {3, 2, 91.8422},
                            {4, 3, 101.126}, {0, 0, 63.0537}, {3, 3, 96.6798}};
  for (const auto& r : rows)
    CHECK(MeanDiameterUm(s.diameter_um, {}, r[0], r[1]) == Approx(r[2]).epsilon(6e-6));
  const auto result = Summarise(s);
  const DropStatistics& d = Good(result);
  CHECK(d.count == 680);
  CHECK(d.d10_um.value == Approx(47300.0 / 680.0));
  CHECK(d.d20_um.value == Approx(std::sqrt(3854000.0 / 680.0)));
  CHECK(d.d30_um.value == Approx(std::cbrt(353960000.0 / 680.0)));
  CHECK(d.d32_um.value == Approx(353960000.0 / 3854000.0));
  CHECK(d.d43_um.value == Approx(35794400000.0 / 353960000.0));
}

TEST_CASE("percentiles of classed volume are linear between the class edges", "[calib][drops]") {
  // Constructed histogram, edges 10 um either side of the middles [calc].
  std::vector<double> edge{10.0}, volume;
  for (const auto& c : kClasses) {
    edge.push_back(c[0] + 10.0);
    volume.push_back(c[1] * std::pow(c[0], 3));
  }
  const double dv10 = ClassPercentileUm(edge, volume, 0.1);
  const double dv50 = ClassPercentileUm(edge, volume, 0.5);
  const double dv90 = ClassPercentileUm(edge, volume, 0.9);
  CHECK(dv10 == Approx(62.6463).epsilon(1e-6));
  CHECK(dv50 == Approx(99.7289).epsilon(1e-6));
  CHECK(dv90 == Approx(142.752).epsilon(3e-6));
  CHECK((dv90 - dv10) / dv50 == Approx(0.803237).epsilon(2e-6));
  const double cumulated[] = {0.00113007, 0.0228274, 0.144875, 0.376314, 0.630580, 0.825856, 0.942140};
  for (int i = 0; i < 7; ++i)
    CHECK(ClassPercentileUm(edge, volume, cumulated[i]) == Approx(30 + 20 * i).epsilon(1e-5));
}

TEST_CASE("one drop of 300 um moves the constructed histogram's D32 by five per cent, and is named",
          "[calib][drops]") {
  DropSample s = ConstructedDrops();
  s.diameter_um.push_back(300.0);
  const auto result = Summarise(s);
  const DropStatistics& d = Good(result);
  CHECK(d.d32_um.value == Approx(96.5923).epsilon(1e-6));  // [calc]
  CHECK(d.d32_without_largest_um == Approx(91.8422).epsilon(1e-6));
  CHECK(d.largest_um == 300.0);
  CHECK(d.largest_volume_share == Approx(2.7e7 / (353960000.0 + 2.7e7)));
}

TEST_CASE("means of any set rise from D10 to D43 and scale with the pixel scale", "[calib][drops]") {
  // The ordering is the reference's (power-mean inequality); equality only when all drops are alike.
  std::mt19937_64 random(5);
  DropSample s = LogNormalDrops(800, 50.0, 0.4, random);
  const auto one = Summarise(s);
  for (double& d : s.diameter_um) d *= 1.7;
  const auto scaled = Summarise(s);
  const DropStatistics& a = Good(one);
  const DropStatistics& b = Good(scaled);
  CHECK(a.d10_um.value < a.d20_um.value);
  CHECK(a.d20_um.value < a.d30_um.value);
  CHECK(a.d30_um.value < a.d32_um.value);
  CHECK(a.d32_um.value < a.d43_um.value);
  CHECK(b.d32_um.value == Approx(1.7 * a.d32_um.value));
  CHECK(b.dv50_um.value == Approx(1.7 * a.dv50_um.value));
  CHECK(b.d32_um.hi95 == Approx(1.7 * a.d32_um.hi95));
  CHECK(b.span.value == Approx(a.span.value));
}

TEST_CASE("drops all of one size have one mean, no width and no fit", "[calib][drops]") {
  DropSample s;
  s.diameter_um.assign(50, 80.0);
  const auto result = Summarise(s);
  const DropStatistics& d = Good(result);
  CHECK(d.d10_um.value == Approx(80.0));
  CHECK(d.d43_um.value == Approx(80.0));
  CHECK(d.span.value == Approx(0.0).margin(1e-12));
  CHECK(d.d32_um.u == Approx(0.0).margin(1e-9));
  CHECK_FALSE(d.log_normal);
  CHECK_FALSE(d.rosin_rammler);
  CHECK(d.sample_size.verdict == SampleVerdict::kWidthUnknown);
}

TEST_CASE("a log-normal's means and percentiles follow Hatch and Choate", "[calib][drops]") {
  // Standard [mem], cross-checked by Monte Carlo in the reference; values [calc]. First case: the parameters
  // of the example in ISO 9276-2 [mem].
  const double s = 0.5;
  const LogNormalFit iso{5.0 * std::exp(-3.0 * s * s), 0.0, s, 0.0, 0.0};
  CHECK(iso.MeanUm(1, 0) == Approx(2.67631).epsilon(2e-6));
  CHECK(iso.MeanUm(3, 0) == Approx(3.43645).epsilon(2e-6));
  CHECK(iso.MeanUm(3, 2) == Approx(4.41248).epsilon(2e-6));
  CHECK(iso.MeanUm(4, 3) == Approx(5.66574).epsilon(2e-6));
  CHECK(iso.median_um == Approx(2.36183).epsilon(2e-6));
  CHECK(iso.VolumePercentileUm(0.1) == Approx(2.63442).epsilon(2e-6));
  CHECK(iso.VolumePercentileUm(0.9) == Approx(9.48976).epsilon(2e-6));
  CHECK((iso.VolumePercentileUm(0.9) - iso.VolumePercentileUm(0.1)) / 5.0 == Approx(1.37107).epsilon(3e-6));
  const LogNormalFit wide{50.0, 0.0, std::log(1.6), 0.0, 0.0};
  CHECK(wide.MeanUm(1, 0) == Approx(55.8391).epsilon(2e-6));
  CHECK(wide.MeanUm(3, 0) == Approx(69.6427).epsilon(2e-6));
  CHECK(wide.MeanUm(3, 2) == Approx(86.8586).epsilon(2e-6));
  CHECK(wide.MeanUm(4, 3) == Approx(108.330).epsilon(4e-6));
}

TEST_CASE("a Rosin-Rammler's means and percentiles follow its moments", "[calib][drops]") {
  // Lefebvre (1989) ch. 3 [mem], derivable; values [calc].
  const RosinRammlerFit f{100.0, 0.0, 2.5, 0.0, 0.0};
  CHECK(f.MeanUm(3, 2).value() == Approx(67.1505).epsilon(2e-6));
  CHECK(f.VolumePercentileUm(0.5) == Approx(86.3635).epsilon(2e-6));
  CHECK(f.MeanUm(4, 3).value() == Approx(88.7264).epsilon(2e-6));
  CHECK(f.VolumePercentileUm(0.1) == Approx(40.6510).epsilon(2e-6));
  CHECK(f.VolumePercentileUm(0.9) == Approx(139.600).epsilon(4e-6));
  CHECK((f.VolumePercentileUm(0.9) - f.VolumePercentileUm(0.1)) / f.VolumePercentileUm(0.5) ==
        Approx(1.14573).epsilon(4e-6));
  CHECK(f.VolumePercentileUm(0.5) / *f.MeanUm(3, 2) == Approx(1.28612).epsilon(4e-6));
  const RosinRammlerFit g{200.0, 0.0, 3.5, 0.0, 0.0};
  CHECK(g.VolumePercentileUm(0.0592977) == Approx(90.0).epsilon(2e-6));
  CHECK(g.MeanUm(3, 2).value() == Approx(156.741).epsilon(4e-6));
  // Its count diverges towards small drops: D10 does not exist for q at or below 3.
  CHECK_FALSE(f.MeanUm(1, 0));
}

TEST_CASE("a drop in the window counts for those of its size that the border hides", "[calib][drops]") {
  // Miles (1978), Lantuejoul; formula [read] in an open implementation note, ISO 13322-1 not read; values
  // [calc].
  CHECK(BorderWeight(100, 100, 10, 10).value() == Approx(1.23457).epsilon(4e-6));
  CHECK(BorderWeight(1920, 1080, 50, 30).value() == Approx(1.05607).epsilon(4e-6));
  CHECK_FALSE(BorderWeight(100, 100, 100, 10));
  CHECK_FALSE(BorderWeight(100, 100, 70, 70));  // weight 11: refused, not believed
}

TEST_CASE("border weights recover the mix of sizes that a small window distorts", "[calib][drops]") {
  // Discs of two sizes, equally many, dropped at random on a large field; those wholly inside a 100 x 100
  // window stay.
  std::mt19937_64 random(11);
  DropSample kept;
  for (int i = 0; i < 40000; ++i) {
    const double d = i % 2 == 0 ? 10.0 : 40.0;
    const double x = -50.0 + 200.0 * Uniform(random);
    const double y = -50.0 + 200.0 * Uniform(random);
    if (std::min({x, y, 100.0 - x, 100.0 - y}) < 0.5 * d) continue;
    kept.diameter_um.push_back(d);
    kept.weight.push_back(*BorderWeight(100, 100, d, d));
  }
  const double truth = (1000.0 + 64000.0) / (100.0 + 1600.0);  // D32 of the equal mix
  const auto weighted = Summarise(kept);
  CHECK(std::abs(Good(weighted).d32_um.value - truth) < 3.0 * Good(weighted).d32_um.u);
  kept.weight.clear();
  const auto plain = Summarise(kept);
  CHECK(std::abs(Good(plain).d32_um.value - truth) > 5.0 * Good(plain).d32_um.u);
}

TEST_CASE("the drops that a mean needs follow Masuda and Iinoya, and the delta method for D32",
          "[calib][drops]") {
  const double s = std::log(1.6);
  // Formula [mem], value [calc]; "over 6000" for a volume mean, sigma_g 1.6, within 5 %: ISO 13322-1:2004
  // [read].
  CHECK(std::ceil(MasudaIinoyaCount(s, 0.05)) == 6092.0);
  CHECK(MasudaIinoyaCount(s, 0.05) * 0.05 * 0.05 == Approx(15.2299).epsilon(3e-6));
  // Derived in the reference [calc].
  CHECK(std::ceil(LogNormalCount(s, 0.05, 1, 0)) == 380.0);
  CHECK(std::ceil(LogNormalCount(s, 0.05, 3, 0)) == 1076.0);
  CHECK(std::ceil(LogNormalCount(s, 0.05, 3, 2)) == 3372.0);
  const double one = 1.0;
  CHECK(LogNormalCount(s, one, 1, 0, one) == Approx(0.247203).epsilon(3e-6));
  CHECK(LogNormalCount(s, one, 3, 0, one) == Approx(0.700208).epsilon(3e-6));
  CHECK(LogNormalCount(s, one, 3, 2, one) == Approx(2.19396).epsilon(3e-6));
}

TEST_CASE("a sample is called large enough only when it holds what Masuda and Iinoya ask for",
          "[calib][drops]") {
  std::mt19937_64 random(2);
  const double s = std::log(1.6);
  DropStatisticsOptions few_draws;
  few_draws.replicates = 100;
  const auto small = Summarise(LogNormalDrops(2000, 50.0, s, random), few_draws);
  const auto large = Summarise(LogNormalDrops(9000, 50.0, s, random), few_draws);
  CHECK(Good(small).sample_size.verdict == SampleVerdict::kTooFew);
  CHECK(Good(large).sample_size.verdict == SampleVerdict::kEnough);
  CHECK(Good(large).sample_size.needed == Approx(6092.0).epsilon(0.1));  // of the fitted width
  // The bootstrap of D32 agrees with the delta method: sqrt(2.19396 / n), confirmed by the reference's Monte
  // Carlo.
  CHECK(Good(large).d32_um.u / Good(large).d32_um.value == Approx(std::sqrt(2.19396 / 9000.0)).epsilon(0.2));
}

TEST_CASE("95 % intervals of D32 and DV50 cover the truth of a log-normal nineteen times in twenty",
          "[calib][drops]") {
  const double s = std::log(1.6);
  const LogNormalFit truth{50.0, 0.0, s, 0.0, 0.0};
  DropStatisticsOptions options;
  options.replicates = 399;
  const int runs = 300;
  int d32 = 0, dv50 = 0, d10 = 0;
  for (int run = 0; run < runs; ++run) {
    std::mt19937_64 random(100 + run);
    const auto result = Summarise(LogNormalDrops(600, 50.0, s, random), options);
    const auto in = [](const DropEstimate& e, double value) {
      return e.lo95 <= value && value <= e.hi95 ? 1 : 0;
    };
    d32 += in(Good(result).d32_um, truth.MeanUm(3, 2));
    dv50 += in(Good(result).dv50_um, truth.VolumePercentileUm(0.5));
    d10 += in(Good(result).d10_um, truth.MeanUm(1, 0));
  }
  INFO("covered of " << runs << ": D32 " << d32 << ", DV50 " << dv50 << ", D10 " << d10);
  CHECK(RateHolds(d10, runs, 0.95));
  // Bootstrap of a heavy tail falls a little short with 600 drops: 91 % is asked for, with room for the count
  // of runs.
  CHECK(d32 >= 0.91 * runs);
  CHECK(dv50 >= 0.91 * runs);
}

TEST_CASE("drops seen in several frames widen the interval when the frames are told", "[calib][drops]") {
  std::mt19937_64 random(9);
  DropSample once = LogNormalDrops(400, 50.0, 0.4, random);
  DropSample four;
  for (int i = 0; i < 400; ++i)
    for (int k = 0; k < 4; ++k) {
      four.diameter_um.push_back(once.diameter_um[i]);
      four.frame.push_back(i / 4);
    }
  const auto told = Summarise(four);
  four.frame.clear();
  const auto untold = Summarise(four);
  const auto honest = Summarise(once);
  CHECK(Good(told).d32_um.u == Approx(Good(honest).d32_um.u).epsilon(0.2));
  CHECK(Good(untold).d32_um.u < 0.65 * Good(honest).d32_um.u);
}

TEST_CASE("a log-normal is fitted within its u, also when its small drops are cut off", "[calib][drops]") {
  const double s = std::log(1.6);
  const int runs = 300;
  for (const double cutoff : {0.0, 40.0}) {  // 40 um hides about a third of the drops
    int median = 0, sigma = 0;
    for (int run = 0; run < runs; ++run) {
      std::mt19937_64 random(500 + run);
      const auto fit = FitLogNormal(LogNormalDrops(1500, 50.0, s, random), cutoff);
      REQUIRE(fit);
      median += std::abs(fit->median_um - 50.0) < 1.96 * fit->u_median_um ? 1 : 0;
      sigma += std::abs(fit->sigma_ln - s) < 1.96 * fit->u_sigma_ln ? 1 : 0;
    }
    INFO("cut-off " << cutoff << ", covered of " << runs << ": median " << median << ", sigma " << sigma);
    CHECK(RateHolds(median, runs, 0.95));
    CHECK(RateHolds(sigma, runs, 0.95));
  }
}

TEST_CASE("a Rosin-Rammler is fitted within its u, also when its small drops are cut off", "[calib][drops]") {
  // By number its density goes with d^(q - 4) exp(-(d / X)^q): with y = (d / X)^q that of y is y^(-3/q)
  // exp(-y). Above a cut-off it is drawn by rejection; the cut-off is needed, its count diverges for q <= 3.
  const double x = 100.0, q = 2.5, drawn_from = 30.0;
  const int runs = 200;
  for (const double cutoff : {drawn_from, 60.0}) {
    int covered_x = 0, covered_q = 0;
    for (int run = 0; run < runs; ++run) {
      std::mt19937_64 random(900 + run);
      DropSample s;
      const double y0 = std::pow(drawn_from / x, q);
      while (s.diameter_um.size() < 3000) {
        const double y = y0 - std::log(Uniform(random));
        if (Uniform(random) < std::pow(y / y0, -3.0 / q)) s.diameter_um.push_back(x * std::pow(y, 1.0 / q));
      }
      const auto fit = FitRosinRammler(s, cutoff);
      REQUIRE(fit);
      covered_x += std::abs(fit->x_um - x) < 1.96 * fit->u_x_um ? 1 : 0;
      covered_q += std::abs(fit->q - q) < 1.96 * fit->u_q ? 1 : 0;
    }
    INFO("cut-off " << cutoff << ", covered of " << runs << ": X " << covered_x << ", q " << covered_q);
    CHECK(covered_x >= 0.90 * runs);  // weighted by volume, few drops carry the fit: u is a little short
    CHECK(covered_q >= 0.90 * runs);
  }
}

TEST_CASE("the gap to the drops tells the log-normal from the Rosin-Rammler", "[calib][drops]") {
  std::mt19937_64 random(3);
  const auto result = Summarise(LogNormalDrops(6000, 50.0, std::log(1.6), random));
  REQUIRE(Good(result).log_normal);
  REQUIRE(Good(result).rosin_rammler);
  CHECK(Good(result).log_normal->largest_gap < 0.04);
  CHECK(Good(result).rosin_rammler->largest_gap > 1.5 * Good(result).log_normal->largest_gap);
}

TEST_CASE("a cut-off past the mode withholds the log-normal fit rather than guess it", "[calib][drops]") {
  // Above a high cut-off this set falls off steeper than nothing but a tail: exponential in ln d.
  DropSample s;
  for (int i = 1; i <= 400; ++i) s.diameter_um.push_back(100.0 * std::pow(i / 400.5, -0.2));
  CHECK_FALSE(FitLogNormal(s, 100.0));
}

TEST_CASE("drops below the cut-off are left out and counted, and the means rise", "[calib][drops]") {
  const DropSample s = ConstructedDrops();
  const auto all = Summarise(s);
  DropStatisticsOptions options;
  options.cutoff_um = 50.0;
  const auto cut = Summarise(s, options);
  CHECK(Good(cut).below_cutoff == 170);
  CHECK(Good(cut).count == 510);
  CHECK(Good(cut).cutoff_um == 50.0);
  CHECK(Good(cut).d10_um.value > Good(all).d10_um.value);
  CHECK(Good(cut).d32_um.value > Good(all).d32_um.value);
}

TEST_CASE("no drops or too few give a reason, not a number", "[calib][drops]") {
  CHECK(std::get<NoDropStatistics>(Summarise({})) == NoDropStatistics::kNoDropAboveCutoff);
  DropSample three;
  three.diameter_um = {50.0, 60.0, 70.0};
  CHECK(std::get<NoDropStatistics>(Summarise(three)) == NoDropStatistics::kTooFewDrops);
  DropSample bad;
  bad.diameter_um = {50.0, std::nan("")};
  CHECK_THROWS_AS(Summarise(bad), std::logic_error);
  DropStatisticsOptions nan;
  nan.relative_error = std::nan("");
  CHECK(nan.Problem());
  CHECK_FALSE(DropStatisticsOptions{}.Problem());
}

TEST_CASE("histograms have log classes whose shares add up, by number and by volume", "[calib][drops]") {
  const auto result = Summarise(ConstructedDrops());
  const DropHistogram& h = Good(result).histogram;
  REQUIRE(h.edge_um.size() == h.number_share.size() + 1);
  double number = 0.0, volume = 0.0;
  for (std::size_t i = 0; i < h.number_share.size(); ++i) {
    CHECK(h.edge_um[i + 1] / h.edge_um[i] == Approx(std::pow(10.0, 0.1)));
    number += h.number_share[i];
    volume += h.volume_share[i];
  }
  CHECK(number == Approx(1.0));
  CHECK(volume == Approx(1.0));
  CHECK(h.edge_um.front() <= 20.0);
  CHECK(h.edge_um.back() > 160.0);
  // The class of 60 um (between 50.1 and 63.1) holds 200 of 680 drops.
  CHECK(h.number_share[4] == Approx(200.0 / 680.0));
}

TEST_CASE("the same drops and seed give the same intervals", "[calib][drops]") {
  const auto a = Summarise(ConstructedDrops());
  const auto b = Summarise(ConstructedDrops());
  CHECK(Good(a).d32_um.lo95 == Good(b).d32_um.lo95);
  CHECK(Good(a).dv90_um.u == Good(b).dv90_um.u);
}
