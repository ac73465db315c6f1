#include "vision/edge_crossing.h"

#include <cmath>
#include <vector>

#include <catch2/catch.hpp>

#include "vision/signal.h"

using namespace conebook;

namespace {

// A step blurred by a Gaussian of this sd, falling at `at`: 1 inside, 0 outside.
double Step(double x, double at, double sd) {
  return 0.5 * std::erfc((x - at) / (std::sqrt(2.0) * sd));
}

// Where the profile as filtered crosses the level, with and without the variance of the filter.
struct Crossings {
  double plain = 0.0, corrected = 0.0;
};

Crossings Read(double at, double sd, bool strong, float level) {
  std::vector<float> profile;
  for (int x = 0; x < 40; ++x) profile.push_back(static_cast<float>(Step(x, at, sd)));
  std::vector<float> filtered(profile.size());
  vision::FilterLine(profile.data(), static_cast<int>(profile.size()), strong, filtered.data());
  std::size_t i = 5;
  while (filtered[i + 1] >= level) ++i;
  const std::array<float, 4> around{filtered[i - 1], filtered[i], filtered[i + 1], filtered[i + 2]};
  const auto x = static_cast<double>(i);
  return {x + static_cast<double>((around[1] - level) / (around[1] - around[2])),
          x + vision::CrossingOf(around, level, vision::FilterVariance(strong))};
}

}  // namespace

// Normal quantile of 0.70: 0.524401 (M. Abramowitz and I. A. Stegun 1964, table 26.1; from memory).
TEST_CASE("of what a filter moves a blurred step's crossing, most is taken out again", "[vision][edge]") {
  // With the stronger filter, or not; blur; part of the shift that may be left, and px of it.
  struct Case {
    bool strong;
    double sd_px, most_left, most_px;
  };
  for (const Case& of :
       {Case{false, 0.7, 0.45, 0.11}, Case{false, 1.0, 0.4, 0.06}, Case{false, 1.5, 0.25, 0.03},
        Case{true, 1.0, 0.4, 0.10}, Case{true, 1.5, 0.3, 0.05}}) {
    for (const double phase : {0.0, 0.2, 0.37, 0.5, 0.81}) {
      const double truth = 20.0 + phase + 0.524401 * of.sd_px;
      const Crossings read = Read(20.0 + phase, of.sd_px, of.strong, 0.30F);
      INFO("sd " << of.sd_px << " px, phase " << phase << ": " << read.plain - truth << " and "
                 << read.corrected - truth << " px off");
      CHECK(std::abs(read.corrected - truth) < of.most_px);
      CHECK(std::abs(read.corrected - truth) < of.most_left * std::abs(read.plain - truth));
    }
  }
}

TEST_CASE("a straight flank is crossed where it is, whatever it was averaged over", "[vision][edge]") {
  CHECK(vision::CrossingOf({0.8F, 0.6F, 0.4F, 0.2F}, 0.45F, 1.0) == Approx(0.75).margin(1e-6));
}

TEST_CASE("noise moves a crossing by half a pixel at most", "[vision][edge]") {
  CHECK(std::abs(vision::CrossingOf({-5.0F, 0.501F, 0.499F, 5.0F}, 0.5F, 1.0) - 0.5) <= 0.5);
}
