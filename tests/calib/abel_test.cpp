// The inverse Abel transform against analytic pairs of the literature. Pairs marked "read" were read in the
// documentation of an open Abel-transform library, which names the paper; each pair is first held against
// direct integration here.
#include <cmath>
#include <functional>
#include <random>
#include <string>

#include <catch2/catch.hpp>

#include <calib/abel.h>

using namespace conebook::calib;

namespace {

struct Pair {
  std::string name;
  std::function<double(double)> f, p;  // source at r, projection at x, within 1
  bool hollow;
};

double A(double r, double x) {
  return r > x ? std::sqrt(r * r - x * x) : 0.0;
}

std::vector<Pair> Pairs() {
  const double root_pi = std::sqrt(3.14159265358979324);
  return {
      // Bracewell, The Fourier Transform and Its Applications, table of Abel transforms (from memory): a
      // Gaussian
      // projects to a Gaussian. Cut at 1, where it is 1e-4 of its peak.
      {"Gaussian", [](double r) { return std::exp(-9.2 * r * r); },
       [=](double x) { return root_pi / std::sqrt(9.2) * std::exp(-9.2 * x * x); }, false},
      // The same, times r^2: by parts, projection (x^2 + s^2 / 2) sqrt(pi) s exp(-x^2 / s^2). Derived.
      {"hollow Gaussian", [](double r) { return r * r * std::exp(-12.0 * r * r); },
       [=](double x) { return root_pi / std::sqrt(12.0) * (x * x + 0.5 / 12.0) * std::exp(-12.0 * x * x); },
       true},
      // (1 - r^2)^n projects to B(n + 1, 1/2) (1 - x^2)^(n + 1/2); Bracewell has n = 1 with 4/3 (from
      // memory), n = 2
      // gives 16/15. Their difference is hollow: r^2 (1 - r^2).
      {"parabola", [](double r) { return 1.0 - r * r; },
       [](double x) { return 4.0 / 3.0 * std::pow(A(1, x), 3); }, false},
      {"hollow parabola", [](double r) { return r * r * (1.0 - r * r); },
       [](double x) { return 4.0 / 3.0 * std::pow(A(1, x), 3) - 16.0 / 15.0 * std::pow(A(1, x), 5); }, true},
      // Cremers & Birkebak (1966), Appl. Opt. 5:1057, eq. 13 (read).
      {"Cremers-Birkebak bell", [](double r) { return 1.0 - 3.0 * r * r + 2.0 * r * r * r; },
       [](double x) {
         const double log = x > 0.0 ? 1.5 * std::pow(x, 4) * std::log((1.0 + A(1, x)) / x) : 0.0;
         return A(1, x) * (1.0 - 2.5 * x * x) + log;
       },
       false},
      // Buie et al. (1996), J. Quant. Spectrosc. Radiat. Transf. 55:231 (read): off-axis maximum.
      {"Buie ring",
       [](double r) { return 0.5 * (1.0 + 10.0 * r * r - 23.0 * std::pow(r, 4) + 12.0 * std::pow(r, 6)); },
       [](double x) {
         return 8.0 / 105.0 * A(1, x) *
                (19.0 + 34.0 * x * x - 125.0 * std::pow(x, 4) + 72.0 * std::pow(x, 6));
       },
       true},
      // Hansen & Law (1985), J. Opt. Soc. Am. A 2:510, table 2, curve A (read).
      {"Hansen-Law A", [](double r) { return r <= 0.5 ? 1.0 - 2.0 * r * r : 2.0 * (1.0 - r) * (1.0 - r); },
       [](double x) {
         const double a = A(1, x), x2 = x * x;
         const double inner = std::max(x, 0.5), b = A(0.5, x);
         const double log = x > 0.0 ? 4.0 * x2 * std::log((1.0 + a) / (inner + b)) : 0.0;
         return 4.0 / 3.0 * a * (1.0 + 2.0 * x2) - 2.0 / 3.0 * b * (1.0 + 8.0 * x2) - log;
       },
       false},
  };
}

double Normal(std::mt19937_64& random) {
  const auto u = [&] { return (static_cast<double>(random() >> 11) + 0.5) * 0x1p-53; };
  const double radius = std::sqrt(-2.0 * std::log(u()));
  return radius * std::cos(6.283185307179586 * u());
}

// Samples at half places either side of an axis between two of them, as pixels lie; R = 10 mm.
AbelProfile Sampled(const Pair& pair, int each_side, double noise_share, std::mt19937_64& random) {
  AbelProfile profile;
  double peak = 0.0;
  for (int i = -each_side; i < each_side; ++i) {
    const double x = (i + 0.5) / each_side;
    profile.x_mm.push_back(10.0 * x);
    profile.absorbance.push_back(pair.p(std::abs(x)));
    peak = std::max(peak, profile.absorbance.back());
  }
  if (noise_share > 0.0) {
    for (double& p : profile.absorbance) p += noise_share * peak * Normal(random);
    profile.u_absorbance = noise_share * peak;
  }
  return profile;
}

// Extinction at r of the pair stretched to R = 10 mm.
double Truth(const Pair& pair, double radius_mm) {
  return pair.f(0.1 * radius_mm) / 10.0;
}

const RadialExtinction& Good(const AbelResult& result) {
  return std::get<RadialExtinction>(result);
}

struct True {
  double radius = 0.0, value = 0.0, hollowness = 0.0;
};
True PeakOf(const Pair& pair) {
  True t;
  for (double r = 0.0; r < 1.0; r += 1e-5)
    if (pair.f(r) > t.value) t = {r, pair.f(r), 0.0};
  double sum = 0.0, area = 0.0;
  for (double r = 0.5e-5; r < 0.5 * t.radius; r += 1e-5) {
    sum += pair.f(r) * r;
    area += r;
  }
  if (area > 0.0) t.hollowness = 1.0 - sum / area / t.value;
  t.radius *= 10.0;
  return t;
}

}  // namespace

TEST_CASE("each analytic pair is a pair by direct integration, and so is the piecewise linear one",
          "[calib][abel]") {
  for (const Pair& pair : Pairs()) {
    for (const double x : {0.05, 0.3, 0.49, 0.7, 0.9}) {
      // y = sqrt(r^2 - x^2) takes the singularity out; middle rule.
      double sum = 0.0;
      const int steps = 20000;
      const double top = std::sqrt(1.0 - x * x);
      for (int i = 0; i < steps; ++i) {
        const double y = top * (i + 0.5) / steps;
        sum += 2.0 * pair.f(std::sqrt(x * x + y * y)) * top / steps;
      }
      INFO(pair.name << " at " << x);
      // The Gaussians' tails beyond 1 are not integrated: 1e-4 of the peak.
      CHECK(sum == Approx(pair.p(x)).epsilon(1e-4).margin(2e-4 * pair.p(0.0)));
    }
  }
  // A cone of height 1: f = 1 - r, projection A - x^2 ln((1 + A) / x) (integrated by parts).
  for (const double x : {0.1, 0.5, 0.8})
    CHECK(ProjectAbel({0.0, 0.25, 1.0}, {1.0, 0.75, 0.0}, x) ==
          Approx(A(1, x) - x * x * std::log((1.0 + A(1, x)) / x)));
}

TEST_CASE("clean projections are inverted within one per cent of the peak", "[calib][abel]") {
  std::mt19937_64 random(1);
  for (const Pair& pair : Pairs()) {
    const auto result = InvertAbel(Sampled(pair, 120, 0.0, random));
    const RadialExtinction& r = Good(result);
    const True truth = PeakOf(pair);
    double worst = 0.0;
    for (std::size_t k = 0; k < r.radius_mm.size(); ++k)
      worst = std::max(worst,
                       std::abs(r.extinction_per_mm[k] - Truth(pair, r.radius_mm[k])) / (0.1 * truth.value));
    INFO(pair.name << ": worst " << worst);
    CHECK(worst < 0.01);
    if (pair.hollow) {
      CHECK(r.peak_radius_mm.value == Approx(truth.radius).epsilon(0.01));
      CHECK(r.hollowness.value == Approx(truth.hollowness).margin(0.01));
    }
  }
}

TEST_CASE("at 2 % noise the extinction lies within its stated u as often as it should", "[calib][abel]") {
  const int runs = 60;
  for (const Pair& pair : Pairs()) {
    int inside = 0, inside2 = 0, values = 0;
    double square = 0.0;
    for (int run = 0; run < runs; ++run) {
      std::mt19937_64 random(300 + run);
      const auto result = InvertAbel(Sampled(pair, 100, 0.02, random));
      const RadialExtinction& r = Good(result);
      for (std::size_t k = 0; k + 1 < r.radius_mm.size(); ++k) {
        const double t = (r.extinction_per_mm[k] - Truth(pair, r.radius_mm[k])) / r.u_per_mm[k];
        inside += std::abs(t) < 1.0 ? 1 : 0;
        inside2 += std::abs(t) < 1.96 ? 1 : 0;
        square += t * t;
        ++values;
      }
    }
    INFO(pair.name << ": within u " << 100.0 * inside / values << " %, within 1.96 u "
                   << 100.0 * inside2 / values << " %, rms of error over u " << std::sqrt(square / values));
    // On average over the radii, as the header says: normal shares 68 and 95 %.
    CHECK(inside > 0.62 * values);
    CHECK(inside2 > 0.91 * values);
    CHECK(inside2 < 0.995 * values);  // and u is not a giant one
  }
}

TEST_CASE("peak radius and hollowness of hollow sprays are covered by their u at 2 % noise",
          "[calib][abel]") {
  const int runs = 100;
  for (const Pair& pair : Pairs()) {
    if (!pair.hollow) continue;
    const True truth = PeakOf(pair);
    int radius = 0, hollowness = 0;
    double u_hollow = 0.0;
    for (int run = 0; run < runs; ++run) {
      std::mt19937_64 random(700 + run);
      const auto result = InvertAbel(Sampled(pair, 100, 0.02, random));
      const RadialExtinction& r = Good(result);
      radius += std::abs(r.peak_radius_mm.value - truth.radius) < 1.96 * r.peak_radius_mm.u ? 1 : 0;
      hollowness += std::abs(r.hollowness.value - truth.hollowness) < 1.96 * r.hollowness.u ? 1 : 0;
      u_hollow += r.hollowness.u / runs;
      CHECK_FALSE(r.peak_on_axis);
    }
    INFO(pair.name << ": peak radius " << radius << ", hollowness " << hollowness << " of " << runs
                   << ", mean u of "
                   << "hollowness " << u_hollow);
    CHECK(radius >= 88);  // 95 less three standard deviations of a hundred runs
    CHECK(hollowness >= 88);
    CHECK(u_hollow < 0.15);
  }
}

TEST_CASE("a thin sheet, as a hollow cone is, keeps its radius and an empty core", "[calib][abel]") {
  // A ring of Gaussian section; no closed form, its projection is integrated (middle rule in sqrt(r^2 -
  // x^2)).
  for (const double width : {0.04, 0.12}) {
    const Pair ring{"ring", [=](double r) { return std::exp(-std::pow((r - 0.65) / width, 2)); },
                    [=](double x) {
                      const double top = std::sqrt(1.0 - x * x);
                      double sum = 0.0;
                      for (int i = 0; i < 4000; ++i) {
                        const double r = std::hypot(x, top * (i + 0.5) / 4000);
                        sum += 2.0 * std::exp(-std::pow((r - 0.65) / width, 2)) * top / 4000;
                      }
                      return sum;
                    },
                    true};
    int radius = 0, hollow = 0, inside = 0, values = 0;
    for (int run = 0; run < 40; ++run) {
      std::mt19937_64 random(2000 + run);
      const auto result = InvertAbel(Sampled(ring, 100, 0.02, random));
      const RadialExtinction& r = Good(result);
      radius += std::abs(r.peak_radius_mm.value - 6.5) < 1.96 * r.peak_radius_mm.u ? 1 : 0;
      hollow += std::abs(r.hollowness.value - 1.0) < 1.96 * r.hollowness.u ? 1 : 0;
      CHECK(r.hollowness.u < 0.02);
      for (std::size_t k = 0; k + 1 < r.radius_mm.size(); ++k, ++values)
        inside +=
            std::abs(r.extinction_per_mm[k] - Truth(ring, r.radius_mm[k])) < 1.96 * r.u_per_mm[k] ? 1 : 0;
    }
    INFO("width " << width << ": radius " << radius << ", hollowness " << hollow << " of 40, extinction "
                  << 100.0 * inside / values << " %");
    CHECK(radius >= 34);  // 95 % less three standard deviations of forty
    CHECK(hollow >= 34);
    CHECK(inside > 0.91 * values);
  }
}

TEST_CASE("noise that is not stated is found from the scatter", "[calib][abel]") {
  const Pair pair = Pairs()[3];
  double mean = 0.0;
  for (int run = 0; run < 40; ++run) {
    std::mt19937_64 random(40 + run);
    AbelProfile profile = Sampled(pair, 100, 0.02, random);
    const double truth = *profile.u_absorbance;
    profile.u_absorbance.reset();
    const auto result = InvertAbel(profile);
    mean += Good(result).u_absorbance / truth / 40.0;
  }
  // Of 200 samples one estimate scatters by 5 %, forty's mean by 1 %.
  CHECK(mean == Approx(1.0).margin(0.05));
}

TEST_CASE("the noise's own share of u is what repeated noise does to the estimate", "[calib][abel]") {
  // One strength is not the same in every run: with it free the spread is a little more than the exact share.
  const Pair pair = Pairs()[0];
  const int runs = 200;
  double sum = 0.0, square = 0.0, stated = 0.0;
  for (int run = 0; run < runs; ++run) {
    std::mt19937_64 random(1500 + run);
    const auto result = InvertAbel(Sampled(pair, 60, 0.02, random));
    const RadialExtinction& r = Good(result);
    const double f = r.extinction_per_mm[r.radius_mm.size() / 3];
    sum += f;
    square += f * f;
    stated += r.u_noise_per_mm[r.radius_mm.size() / 3] / runs;
  }
  const double spread = std::sqrt(square / runs - sum * sum / runs / runs);
  CHECK(spread == Approx(stated).epsilon(0.2));  // spread of 200 runs is itself known to 5 %
}

TEST_CASE("doubling the absorbance doubles the extinction, doubling lengths halves it", "[calib][abel]") {
  std::mt19937_64 random(8);
  const AbelProfile one = Sampled(Pairs()[5], 80, 0.02, random);
  AbelProfile dark = one;
  for (double& p : dark.absorbance) p *= 2.0;
  dark.u_absorbance = 2.0 * *one.u_absorbance;
  AbelProfile wide = one;
  for (double& x : wide.x_mm) x *= 2.0;
  const auto a = InvertAbel(one), b = InvertAbel(dark), c = InvertAbel(wide);
  const std::size_t k = Good(a).radius_mm.size() / 2;
  CHECK(Good(b).extinction_per_mm[k] == Approx(2.0 * Good(a).extinction_per_mm[k]));
  CHECK(Good(b).hollowness.value == Approx(Good(a).hollowness.value));
  CHECK(Good(c).extinction_per_mm[k] == Approx(0.5 * Good(a).extinction_per_mm[k]));
  CHECK(Good(c).peak_radius_mm.value == Approx(2.0 * Good(a).peak_radius_mm.value));
}

TEST_CASE("mirrored, left and right swap; a spray heavier to the right says so", "[calib][abel]") {
  std::mt19937_64 random(4);
  const Pair pair = Pairs()[3];
  AbelProfile profile = Sampled(pair, 80, 0.02, random);
  for (std::size_t i = 0; i < profile.x_mm.size(); ++i)
    if (profile.x_mm[i] > 0.0) profile.absorbance[i] *= 1.3;
  AbelProfile mirrored = profile;
  for (double& x : mirrored.x_mm) x = -x;
  const AbelHalves a = InvertAbelHalves(profile);
  const AbelHalves b = InvertAbelHalves(mirrored);
  CHECK(Good(a.left).extinction_per_mm[20] == Approx(Good(b.right).extinction_per_mm[20]));
  CHECK(Good(a.right).peak_per_mm.value > 1.15 * Good(a.left).peak_per_mm.value);
  REQUIRE(a.right_excess);
  REQUIRE(b.right_excess);
  CHECK(a.right_excess->value == Approx(-b.right_excess->value));
  CHECK(std::abs(a.right_excess->value - (1.3 / 2.3 - 0.5)) < 3.0 * a.right_excess->u);
  // Taken as one round spray, the halves contradict each other and chi-squared says so.
  const auto both = InvertAbel(profile);
  CHECK(Good(both).chi_squared_per_dof > 3.0);
}

TEST_CASE("a filled cone has its peak on the axis, and that is said", "[calib][abel]") {
  std::mt19937_64 random(6);
  const auto result = InvertAbel(Sampled(Pairs()[2], 100, 0.005, random));
  CHECK(Good(result).hollowness.value < 0.35);
  CHECK(Good(result).peak_on_axis);
}

TEST_CASE("a spray that the picture cuts off shows at the edge", "[calib][abel]") {
  std::mt19937_64 random(12);
  const AbelProfile whole = Sampled(Pairs()[5], 100, 0.005, random);
  AbelProfile cut;
  cut.u_absorbance = whole.u_absorbance;
  for (std::size_t i = 0; i < whole.x_mm.size(); ++i) {
    if (std::abs(whole.x_mm[i]) > 6.0) continue;
    cut.x_mm.push_back(whole.x_mm[i]);
    cut.absorbance.push_back(whole.absorbance[i]);
  }
  const auto a = InvertAbel(whole), b = InvertAbel(cut);
  CHECK(Good(a).edge_share < 0.02);
  CHECK(Good(b).edge_share > 0.3);
}

TEST_CASE("what cannot be inverted gives its reason", "[calib][abel]") {
  AbelProfile few{{0.0, 1.0, 2.0}, {1.0, 0.5, 0.0}, {}};
  CHECK(std::get<NoInversion>(InvertAbel(few)) == NoInversion::kTooFewSamples);
  AbelProfile none;
  for (int i = 0; i < 40; ++i) {
    none.x_mm.push_back(i);
    none.absorbance.push_back(0.0);
  }
  CHECK(std::get<NoInversion>(InvertAbel(none)) == NoInversion::kNoAbsorbance);
  none.absorbance[3] = INFINITY;
  CHECK(std::get<NoInversion>(InvertAbel(none)) == NoInversion::kNotFinite);
  none.u_absorbance = 0.0;
  CHECK_THROWS_AS(InvertAbel(none), std::logic_error);
  CHECK_FALSE(AbelOptions{}.Problem());
}
