// What the frames' own angles leave open of a pressure point's: counted over many series of known middle.
#include "vision/cone_budget.h"

#include <cmath>
#include <numbers>
#include <random>
#include <span>
#include <utility>
#include <vector>

#include <catch2/catch.hpp>

#include <calib/quantity.h>

#include "vision/statistics.h"

using namespace conebook::vision;

namespace {

double Uniform(std::mt19937_64& random) {
  return (static_cast<double>(random() >> 11) + 0.5) * 0x1p-53;
}
double Normal(std::mt19937_64& random) {
  const double radius = std::sqrt(-2.0 * std::log(Uniform(random)));
  return radius * std::cos(2.0 * std::numbers::pi * Uniform(random));
}

struct Spray {
  int frames = 60;
  double pulsation_deg = 0.0;  // to either side, 3 to 12 times in the record
  double scatter_deg = 0.1;    // of the noise
  double memory = 0.0;         // of it, from frame to frame
};

struct Counted {
  double rms_error_in_u = 0.0, in_interval = 0.0, rms_u_deg = 0.0, rms_error_deg = 0.0;
};

// The middle of both sides' mean against nought, where every series lies about it.
Counted Count(const Spray& spray, int series, unsigned seed) {
  std::mt19937_64 random(seed);
  Counted counted;
  for (int s = 0; s < series; ++s) {
    ConeAngles frames;
    const double cycles = 3.2 + 8.8 * Uniform(random);
    const double phase = 2.0 * std::numbers::pi * Uniform(random);
    double noise = Normal(random);
    std::vector<double> mean;
    for (int k = 0; k < spray.frames; ++k) {
      noise = spray.memory * noise + std::sqrt(1.0 - spray.memory * spray.memory) * Normal(random);
      mean.push_back(spray.pulsation_deg *
                         std::sin(phase + 2.0 * std::numbers::pi * cycles * k / spray.frames) +
                     spray.scatter_deg * noise);
      frames.frame_left_deg.push_back(mean.back());
      frames.frame_right_deg.push_back(mean.back());
      frames.frame_found.push_back(1);
    }
    ConeBudget budget;
    frames.frame_swing = SwingOfFrames(frames);
    AddScatter(frames, budget);
    const conebook::calib::Quantity of =
        conebook::calib::Combine(MedianInPlace(std::span(mean)), budget.mean);
    counted.rms_error_in_u += of.value * of.value / (of.u * of.u) / series;
    counted.rms_u_deg += of.u * of.u / series;
    counted.rms_error_deg += of.value * of.value / series;
    const auto interval = conebook::calib::Interval95(of);
    if (interval.lo <= 0.0 && 0.0 <= interval.hi) counted.in_interval += 1.0 / series;
  }
  counted.rms_error_in_u = std::sqrt(counted.rms_error_in_u);
  counted.rms_u_deg = std::sqrt(counted.rms_u_deg);
  counted.rms_error_deg = std::sqrt(counted.rms_error_deg);
  return counted;
}

// Errors fill u, and the interval holds.
void CheckHolds(const Spray& spray, const Counted& counted, double most_error_in_u) {
  INFO(spray.frames << " frames, swing " << spray.pulsation_deg << " deg, memory " << spray.memory << ": u "
                    << counted.rms_u_deg << ", error " << counted.rms_error_deg);
  CHECK(counted.rms_error_in_u > 0.75);
  CHECK(counted.rms_error_in_u < most_error_in_u);
  CHECK(counted.in_interval > 0.93);
}

}  // namespace

TEST_CASE("a pulsating spray's angle is as sure as its unfinished swing and its other scatter leave it",
          "[cone][budget]") {
  for (const int frames : {48, 100, 300})
    for (const double amplitude_deg : {0.3, 1.0}) {
      const Spray spray{frames, amplitude_deg, 0.1, 0.0};
      CheckHolds(spray, Count(spray, 300, 7), 1.1);
    }
}

TEST_CASE("scatter and drift without a rate of their own keep their u", "[cone][budget]") {
  // 300 frames with a memory of ten frames are some 16 times as many as are free; fewer are a short record.
  for (const auto& [frames, memory] : {std::pair{48, 0.0}, std::pair{48, 0.6}, std::pair{100, 0.0},
                                       std::pair{100, 0.6}, std::pair{300, 0.6}, std::pair{300, 0.9}}) {
    const Spray spray{frames, 0.0, 0.3, memory};
    CheckHolds(spray, Count(spray, 300, 11), 1.15);
  }
}

TEST_CASE("an edge read out of place turns a wide cone's side less than a narrow one's", "[cone][budget]") {
  // The side from (0, 0) to (tan a, 1) moved across to tan a + d at its end: geometry.
  const double d = 1e-3;
  const auto turned = [&](double half_angle_deg) {
    const double tan_a = std::tan(half_angle_deg * std::numbers::pi / 180.0);
    return std::atan(tan_a + d) - std::atan(tan_a);
  };
  const auto u = [](double half_angle_deg) { return DefinitionDeg({}, true, half_angle_deg); };
  CHECK(u(30.0) == Approx(ConeFitOptions{}.floor_compressed_deg));
  CHECK(u(60.0) / u(30.0) == Approx(turned(60.0) / turned(30.0)).epsilon(0.01));
  CHECK(u(10.0) / u(30.0) == Approx(turned(10.0) / turned(30.0)).epsilon(0.01));
  CHECK(DefinitionDeg({}, false, 45.0) / u(45.0) ==
        Approx(ConeFitOptions{}.floor_deg / ConeFitOptions{}.floor_compressed_deg));
}
