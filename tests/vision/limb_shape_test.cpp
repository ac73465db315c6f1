#include <algorithm>
#include <cmath>
#include <functional>
#include <numbers>
#include <vector>

#include <catch2/catch.hpp>

#include <vision/limb_shape.h>
#include <vision/sheet_fit.h>
#include <vision/statistics.h>

using namespace conebook::vision;

namespace {

constexpr double kStep = 0.01;  // of a blur
constexpr double kReach = 16.0;
constexpr double kInReach = 2.1;  // standard uncertainties

// Brightness of a rim against depth below the surface, positive inwards, in widths of the blur.
using Rim = std::function<double(double)>;

// Mean over the cell around a depth, so that a rim's cusp counts for what it holds.
double OfCell(const Rim& rim, double depth) {
  constexpr int kParts = 40;
  double sum = 0.0;
  for (int i = 0; i < kParts; ++i) sum += rim(depth + kStep * ((i + 0.5) / kParts - 0.5)) / kParts;
  return sum;
}

std::vector<double> Drawn(const Rim& rim) {
  std::vector<double> sharp;
  for (double depth = -kReach; depth < kReach; depth += kStep) sharp.push_back(OfCell(rim, depth));
  return sharp;
}

std::vector<double> Smeared(const std::vector<double>& sharp, const std::function<double(double)>& weight,
                            double reach) {
  const auto n = static_cast<int>(sharp.size());
  const int half = static_cast<int>(reach / kStep);
  std::vector<double> weights;
  double sum = 0.0;
  for (int k = -half; k <= half; ++k) sum += weights.emplace_back(weight(kStep * k));
  std::vector<double> smeared(sharp.size(), 0.0);
  for (int i = 0; i < n; ++i) {
    for (int k = std::max(-half, -i); k <= std::min(half, n - 1 - i); ++k) {
      smeared[static_cast<std::size_t>(i)] +=
          weights[static_cast<std::size_t>(k + half)] / sum * sharp[static_cast<std::size_t>(i + k)];
    }
  }
  return smeared;
}

std::vector<double> ByGaussian(const std::vector<double>& sharp, double sigma) {
  return Smeared(
      sharp, [&](double x) { return std::exp(-0.5 * x * x / (sigma * sigma)); }, 5.0 * sigma);
}

// Where a point dwells that swings as a sine of this root mean square.
std::vector<double> BySine(const std::vector<double>& sharp, double rms) {
  const double amplitude = rms * std::numbers::sqrt2;
  const auto before = [&](double x) { return std::asin(std::clamp(x / amplitude, -1.0, 1.0)); };
  return Smeared(
      sharp, [&](double x) { return before(x + 0.5 * kStep) - before(x - 0.5 * kStep); }, amplitude + kStep);
}

LimbEdge EdgeOf(const std::vector<double>& smeared) {
  // The end of a film that goes on cuts the smear.
  const auto inside = smeared.end() - static_cast<int>(5.0 / kStep);
  const auto top = std::max_element(smeared.begin(), inside);
  const auto crossing = [&](double part) {
    const auto at = std::find_if(smeared.begin(), top, [&](double v) { return v >= part * *top; });
    return kReach - kStep * (static_cast<double>(at - smeared.begin()) - 0.5);
  };
  return {crossing(0.30), EdgeWidth(crossing(0.21), crossing(0.42), 0.21, 0.42), *top};
}

struct Passing {
  double out = 0.0, width = 0.0, swing = 0.0;  // medians over frames, and the crossing's rms
};

// Frames of a sine of this root mean square, of which in each frame the part `passed` goes by.
Passing Pass(const std::vector<double>& rim, double rms, double passed) {
  constexpr int kFrames = 24, kMoments = 30;
  std::vector<double> out;
  std::vector<double> width;
  for (int frame = 0; frame < kFrames; ++frame) {
    std::vector<double> exposed(rim.size(), 0.0);
    for (int moment = 0; moment < kMoments; ++moment) {
      const double turn = static_cast<double>(frame) / kFrames + passed * (moment + 0.5) / kMoments;
      const double moved = rms * std::numbers::sqrt2 * std::cos(2.0 * std::numbers::pi * turn);
      const auto steps = static_cast<std::ptrdiff_t>(std::lround(moved / kStep));
      for (std::size_t i = 0; i < rim.size(); ++i) {
        const auto from = std::clamp<std::ptrdiff_t>(static_cast<std::ptrdiff_t>(i) + steps, 0,
                                                     static_cast<std::ptrdiff_t>(rim.size()) - 1);
        exposed[i] += rim[static_cast<std::size_t>(from)] / kMoments;
      }
    }
    const LimbEdge edge = EdgeOf(exposed);
    out.push_back(edge.out);
    width.push_back(edge.width);
  }
  double mean = 0.0;
  double squares = 0.0;
  for (const double o : out) mean += o / kFrames;
  for (const double o : out) squares += (o - mean) * (o - mean) / kFrames;
  return {QuantileInPlace(out, 0.5), QuantileInPlace(width, 0.5), std::sqrt(squares)};
}

Rim ClearFilm(double depth) {
  return [depth](double d) { return d < 0.0 ? 0.0 : std::exp(-std::sqrt(d / depth)); };
}

double ThinLine(double d) {
  return std::abs(d) < 0.02 ? 1.0 : 0.0;
}
double Step(double d) {
  return d > 0.0 ? 1.0 : 0.0;
}
// The chord through a thin shell.
double Shell(double d) {
  return d > 0.0 ? 1.0 / std::sqrt(d) : 0.0;
}

}  // namespace

// The two ends in closed form: sqrt(2 ln(1 / 0.3)), and the quantile of the normal distribution at 0.7
// (NIST/SEMATECH e-Handbook 1.3.6.7.1); widths from its 0.79 and 0.58.
TEST_CASE("a limb's crossing lies 1.55 blurs outside where it is a line, and 0.52 where it is a step",
          "[vision][limb_shape]") {
  const LimbEdge line = EdgeOfLimb(1e-5);
  CHECK(line.out == Approx(1.5518).margin(0.003));
  CHECK(line.width == Approx(1.0).margin(0.003));
  CHECK(line.peak < 1e-4);
  const LimbEdge step = EdgeOfLimb(1e6);
  CHECK(step.out == Approx(0.5244).margin(0.005));
  CHECK(step.width == Approx((0.8064 - 0.2019) / (1.7667 - 1.3172)).margin(0.01));
  CHECK(step.peak == Approx(1.0).margin(0.01));
}

TEST_CASE("in between, a clear film's limb is what a picture of it shows through a blur",
          "[vision][limb_shape]") {
  for (const double depth : {0.1, 1.0, 10.0}) {
    INFO("depth " << depth);
    const LimbEdge drawn = EdgeOf(ByGaussian(Drawn(ClearFilm(depth)), 1.0));
    const LimbEdge edge = EdgeOfLimb(depth);
    CHECK(edge.out == Approx(drawn.out).margin(0.01));
    CHECK(edge.width == Approx(drawn.width).margin(0.03));
    CHECK(edge.peak == Approx(drawn.peak).epsilon(0.01));
    const LimbEdge tabled = LimbTable().At(depth);
    CHECK(tabled.out == Approx(edge.out).margin(0.002));
    CHECK(tabled.width == Approx(edge.width).margin(0.002));
    CHECK(tabled.peak == Approx(edge.peak).epsilon(0.01));
  }
}

TEST_CASE("how deep a clear film's limb is shows in how its peak grows down the sheet, however bright it is",
          "[vision][limb_shape]") {
  const LimbTable table;
  for (const double depth : {0.5, 3.0, 20.0}) {
    for (const double bright : {0.02, 40.0}) {
      std::vector<double> radius;
      std::vector<double> peak;
      for (int i = 0; i < 200; ++i) {
        radius.push_back(0.5 + 0.05 * i);
        peak.push_back(bright * EdgeOfLimb(depth * radius.back() / 10.45).peak);
      }
      const auto found = DepthOfLimb(radius, peak, table);
      REQUIRE(found);
      CHECK(*found == Approx(depth).epsilon(0.06));  // the steps that are tried
    }
  }
}

TEST_CASE("a limb that does not grow, or fades as a dyed film's does, has no depth to be found",
          "[vision][limb_shape]") {
  const LimbTable table;
  std::vector<double> radius;
  std::vector<double> even;
  std::vector<double> fading;
  for (int i = 0; i < 200; ++i) {
    radius.push_back(0.5 + 0.05 * i);
    even.push_back(0.4);
    fading.push_back(0.4 / std::sqrt(radius.back()));
  }
  CHECK_FALSE(DepthOfLimb(radius, even, table));
  CHECK_FALSE(DepthOfLimb(radius, fading, table));
  radius.resize(10);
  even.resize(10);
  CHECK_FALSE(DepthOfLimb(radius, even, table));
}

// Derived here by convolution; no source.
TEST_CASE("the more a travelling wave smears the rim, the further out its boundary lies",
          "[vision][sheet_fit]") {
  const auto in_widths = [](const Rim& rim) {
    const LimbEdge edge = EdgeOf(ByGaussian(Drawn(rim), 1.0));
    return edge.out / edge.width;
  };
  CHECK(in_widths(ThinLine) == Approx(1.55).margin(0.02));
  CHECK(in_widths(Shell) == Approx(1.00).margin(0.03));
  CHECK(in_widths(Step) == Approx(0.39).margin(0.02));
}

// Waves of many heights spread the edge as a Gaussian, a single one as a sine whose crests stand out of the
// width that they make, the more the higher it is. What the sheet's fit assumes has both in reach.
TEST_CASE("what the fit takes off for waves that pass lies between those of many heights and a single one",
          "[vision][sheet_fit]") {
  const SheetFitOptions options;
  const std::vector<double> blurred = ByGaussian(Drawn(Shell), 1.0);
  const LimbEdge calm = EdgeOf(blurred);
  for (const double rms : {0.5, 1.0, 2.0}) {
    INFO("waves of " << rms << " blurs");
    const LimbEdge many = EdgeOf(ByGaussian(blurred, rms));
    const LimbEdge single = EdgeOf(BySine(blurred, rms));
    const double of_many = (many.out - calm.out) / (many.width - calm.width);
    const double of_single = (single.out - calm.out) / (single.width - calm.width);
    const double part = (single.width - calm.width) / calm.width;
    CHECK(of_many == Approx(1.0).margin(0.05));
    CHECK(of_single == Approx(1.0 + 3.0 * part * part).margin(0.15));
    const double taken = options.of_width + options.of_crests * part * part;
    const double open = kInReach * std::hypot(options.u_of_width, options.u_of_crests * part * part);
    CHECK(of_many > taken - open);
    CHECK(of_single < taken + open);
  }
}

TEST_CASE("of a wave that passes only in part the crossing moves out by about twice what it widens the edge",
          "[vision][sheet_fit]") {
  const SheetFitOptions options;
  const std::vector<double> blurred = ByGaussian(Drawn(Shell), 1.0);
  const LimbEdge calm = EdgeOf(blurred);
  for (const double rms : {0.5, 1.0}) {
    for (const double passed : {0.25, 0.4}) {
      INFO("waves of " << rms << " blurs, of which " << passed << " passes");
      const Passing seen = Pass(blurred, rms, passed);
      const double waves = seen.width - calm.width;
      const double k = (seen.out - calm.out) / waves;
      CHECK(k == Approx(2.0).margin(0.4));
      const double high = waves / calm.width;
      const double within = seen.width * seen.width - calm.width * calm.width;
      CHECK(seen.swing * seen.swing / (seen.swing * seen.swing + within) > 0.3);
      const double taken =
          options.of_width + options.of_crests * high * high + options.of_part * (1.0 + high);
      const double open = kInReach * std::hypot(options.u_of_width, options.u_of_part * (1.0 + high));
      // Between waves of many heights and a single one.
      CHECK(taken > 1.0);
      CHECK(taken < k);
      CHECK(k < taken + open);
    }
  }
}
