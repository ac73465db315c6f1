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
  double pulsation_deg = 0.0;  // to either side
  double scatter_deg = 0.1;    // of the noise
  double memory = 0.0;         // of it, from frame to frame
  double least_swings = 3.2;   // in the record, up to
  double most_swings = 12.0;
};

struct Counted {
  double rms_error_in_u = 0.0, in_interval = 0.0, rms_u_deg = 0.0, rms_error_deg = 0.0;
};

// The middle of both sides' mean, the swing that was found taken out, against nought, where every series lies
// about it.
Counted Count(const Spray& spray, int series, unsigned seed) {
  std::mt19937_64 random(seed);
  Counted counted;
  for (int s = 0; s < series; ++s) {
    ConeAngles frames;
    const double cycles = spray.least_swings + (spray.most_swings - spray.least_swings) * Uniform(random);
    const double phase = 2.0 * std::numbers::pi * Uniform(random);
    double noise = Normal(random);
    std::vector<double> mean;
    for (int k = 0; k < spray.frames; ++k) {
      noise = spray.memory * noise + std::sqrt(1.0 - spray.memory * spray.memory) * Normal(random);
      const double at = phase + 2.0 * std::numbers::pi * cycles * k / spray.frames;
      // With a second harmonic: no pump's swing is a pure sine.
      mean.push_back(spray.pulsation_deg * (std::sin(at) + 0.15 * std::sin(2.0 * at + 1.0)) +
                     spray.scatter_deg * noise);
      frames.frame_left_deg.push_back(mean.back());
      frames.frame_right_deg.push_back(mean.back());
      frames.frame_found.push_back(1);
    }
    ConeBudget budget;
    frames.frame_swing = SwingOfFrames(frames);
    AddScatter(frames, TurnInSpace{}, budget);
    for (std::size_t k = 0; k < mean.size(); ++k) mean[k] -= frames.frame_swing.mean_deg[k];
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
void CheckHolds(const Spray& spray, const Counted& counted, double least_error_in_u, double most_error_in_u) {
  INFO(spray.frames << " frames, swing " << spray.pulsation_deg << " deg, memory " << spray.memory << ": u "
                    << counted.rms_u_deg << ", error " << counted.rms_error_deg);
  CHECK(counted.rms_error_in_u > least_error_in_u);
  CHECK(counted.rms_error_in_u < most_error_in_u);
  CHECK(counted.in_interval > 0.93);
}

}  // namespace

TEST_CASE("a pulsating spray's angle loses its swing, and is as sure as what is left", "[cone][budget]") {
  for (const int frames : {48, 100, 300})
    for (const double amplitude_deg : {0.3, 1.0}) {
      const Spray spray{frames, amplitude_deg, 0.1, 0.0};
      const Counted counted = Count(spray, 300, 7);
      // A swing that goes unseen in the one record is in u, and in most others it is taken out.
      CheckHolds(spray, counted, 0.35, 1.1);
      CHECK(counted.rms_error_deg < 0.2 * amplitude_deg);
    }
}

TEST_CASE("a swing that the record shows less than three times is taken out of the angle, too",
          "[cone][budget]") {
  for (const int frames : {60, 100}) {
    const Spray spray{frames, 1.0, 0.1, 0.0, 1.6, 3.0};
    const Counted counted = Count(spray, 300, 5);
    CheckHolds(spray, counted, 0.5, 1.2);
    CHECK(counted.rms_error_deg < 0.15);
  }
}

TEST_CASE("scatter and drift without a rate of their own keep their u", "[cone][budget]") {
  // 300 frames with a memory of ten frames are some 16 times as many as are free; fewer are a short record.
  for (const auto& [frames, memory] : {std::pair{48, 0.0}, std::pair{48, 0.6}, std::pair{100, 0.0},
                                       std::pair{100, 0.6}, std::pair{300, 0.6}, std::pair{300, 0.9}}) {
    const Spray spray{frames, 0.0, 0.3, memory};
    CheckHolds(spray, Count(spray, 300, 11), 0.75, 1.15);
  }
}

TEST_CASE("an edge read out of place turns a wide cone's side less than a narrow one's", "[cone][budget]") {
  // The side from (0, 0) to (tan a, 1) moved by d across itself at its end: geometry.
  const double d = 1e-3;
  const auto turned = [&](double half_angle_deg) {
    const double a = half_angle_deg * std::numbers::pi / 180.0;
    return std::atan2(std::tan(a) + d * std::cos(a), 1.0 - d * std::sin(a)) - a;
  };
  const auto u = [](double half_angle_deg) { return DefinitionDeg({}, true, half_angle_deg); };
  CHECK(u(30.0) == Approx(ConeFitOptions{}.floor_compressed_deg));
  CHECK(u(60.0) / u(30.0) == Approx(turned(60.0) / turned(30.0)).epsilon(0.01));
  CHECK(u(10.0) / u(30.0) == Approx(turned(10.0) / turned(30.0)).epsilon(0.01));
  CHECK(DefinitionDeg({}, false, 45.0) / u(45.0) ==
        Approx(ConeFitOptions{}.floor_deg / ConeFitOptions{}.floor_compressed_deg));
}

// Closed form of a cone's silhouette seen from an exit `up` above the optical axis: sin(s) = sin(a) /
// cos(up), tan(a') = cos(up) tan(s) (derivation: cone_projection.h), and its derivative by differences.
TEST_CASE("a wide cone near the camera turns by less in space than in the picture", "[cone][budget]") {
  constexpr double kUpDeg = 16.0, kShownDeg = 62.0, kRad = std::numbers::pi / 180.0;
  const auto in_space_deg = [&](double shown_deg) {
    const double along = std::atan(std::tan(shown_deg * kRad) / std::cos(kUpDeg * kRad));
    return std::asin(std::cos(kUpDeg * kRad) * std::sin(along)) / kRad;
  };
  const double expected = (in_space_deg(kShownDeg + 0.05) - in_space_deg(kShownDeg - 0.05)) / 0.1;
  ClipModel model;
  model.exit_px = {400.0, 50.0};
  model.exit_diameter_px = 0.01;  // from a point
  model.rows = 240;
  BoundarySides boundary;
  for (int row = 60; row < model.rows; ++row) {
    for (std::vector<BoundaryRow>& side : boundary)
      side.push_back({row, (row - model.exit_px.y) * std::tan(kShownDeg * kRad), 1.0});
  }
  CameraSetup setup;
  setup.camera.exit_px = {400.0, 50.0};
  setup.camera.px_per_mm = 5.0;
  const LineSetting setting{model, 1.0, 100.0, ConeFitOptions{}};
  for (const bool near : {true, false}) {
    if (near) {
      setup.camera.distance_mm = 160.0;
      setup.camera.centre_x_px = 400.0;
      setup.camera.centre_y_px = 50.0 + 5.0 * 160.0 * std::tan(kUpDeg * kRad);
    } else {
      setup.camera.distance_mm.reset();
    }
    const auto angles = AnglesUnder(setup.camera, boundary, setting);
    REQUIRE(angles);
    CHECK(angles->Mean() == Approx(near ? in_space_deg(kShownDeg) : kShownDeg).margin(1e-3));
    const TurnInSpace turn = TurnInSpaceOf({setting, setup, boundary, *angles});
    CHECK(turn.Mean() == Approx(near ? expected : 1.0).epsilon(0.02));
  }
}
