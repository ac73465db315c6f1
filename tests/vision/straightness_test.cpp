// Straightness of a side: shapes drawn in closed form, with the slope error that each gives a least-squares
// line.
#include <cmath>
#include <numbers>
#include <vector>

#include <catch2/catch.hpp>

#include <vision/straightness.h>

using namespace conebook::vision;

namespace {

constexpr double kNearMm = 2.4, kFarMm = 14.4, kTan = 0.67, kExitRadiusMm = 0.6;
constexpr int kRows = 120;

// A hyperbola's side with a tenth of a pixel of jitter (8 px/mm), and `extra` on it.
template <typename Extra>
std::vector<SidePoint> Side(Extra extra) {
  std::vector<SidePoint> points;
  unsigned state = 7;
  for (int i = 0; i < kRows; ++i) {
    const double z = kNearMm + (kFarMm - kNearMm) * i / (kRows - 1);
    state = state * 1664525U + 1013904223U;
    const double jitter = 0.0125 * (state / 4294967296.0 - 0.5);
    points.push_back({z, std::hypot(kExitRadiusMm, z * kTan) + jitter + extra(z)});
  }
  return points;
}

SideShape Shape(const std::vector<SidePoint>& points) {
  const auto shape = ShapeOfSide(points, {}, kExitRadiusMm, StraightnessOptions{});
  REQUIRE(shape);
  return *shape;
}

// Of a sine of amplitude A over n periods in the length L, on a least-squares line: 6 A / (pi n L), closed
// form.
double MostTurnDeg(double amplitude_mm, double periods, double span_mm) {
  return 6.0 * amplitude_mm / (std::numbers::pi * periods * span_mm) * 180.0 / std::numbers::pi /
         (1.0 + kTan * kTan);
}

}  // namespace

TEST_CASE("a hyperbola's side is straight, whatever its opening", "[vision][straightness]") {
  const SideShape shape = Shape(Side([](double) { return 0.0; }));
  CHECK(shape.turn_deg < 0.05);
  CHECK(shape.bend_deg == Approx(0.0).margin(0.2));
}

TEST_CASE("a side that bends to and fro says how far that can turn its line", "[vision][straightness]") {
  // One and a half waves between the stations: a parabola cannot follow them.
  constexpr double kAmplitudeMm = 0.2;
  const double span_mm = kFarMm - kNearMm;
  const SideShape shape = Shape(Side(
      [&](double z) { return kAmplitudeMm * std::sin(3.0 * std::numbers::pi * (z - kNearMm) / span_mm); }));
  CHECK(shape.turn_deg == Approx(MostTurnDeg(kAmplitudeMm, 1.5, span_mm)).epsilon(0.35));
  CHECK(shape.significance > StraightnessOptions{}.least_significance);
}

// Waves that a short or aliased record shows standing.
TEST_CASE("many waves along a side turn its line less than one, by their number", "[vision][straightness]") {
  constexpr double kAmplitudeMm = 0.2;
  constexpr int kPeriods = 3;
  const double span_mm = kFarMm - kNearMm;
  const SideShape shape = Shape(Side([&](double z) {
    return kAmplitudeMm * std::sin(2.0 * std::numbers::pi * kPeriods * (z - kNearMm) / span_mm);
  }));
  CHECK(shape.turn_deg > MostTurnDeg(kAmplitudeMm, kPeriods, span_mm));
  CHECK(shape.turn_deg < 2.0 * MostTurnDeg(kAmplitudeMm, kPeriods, span_mm));
  CHECK(shape.significance > StraightnessOptions{}.least_significance);
}

TEST_CASE("a side that opens more and more shows its change of direction", "[vision][straightness]") {
  constexpr double kPerMm = 0.004;  // 2 * 0.004 * 12 mm: the slope changes by 0.096
  const SideShape shape = Shape(Side([](double z) { return kPerMm * (z - kNearMm) * (z - kNearMm); }));
  const double bend_deg = 2.0 * kPerMm * (kFarMm - kNearMm) * 180.0 / std::numbers::pi / (1.0 + kTan * kTan);
  CHECK(shape.bend_deg == Approx(bend_deg).epsilon(0.2));
  CHECK(shape.turn_deg < 0.05);
}

TEST_CASE("a handful of rows is not judged", "[vision][straightness]") {
  std::vector<SidePoint> points = Side([](double) { return 0.0; });
  points.resize(20);
  CHECK_FALSE(ShapeOfSide(points, {}, kExitRadiusMm, StraightnessOptions{}));
}

// A stretch of rim that no light reaches, where something within is met.
TEST_CASE("a stretch that lies far off the line is not taken for a wave of the side",
          "[vision][straightness]") {
  const auto lost_from = [](double to_mm) {
    return Shape(Side([=](double z) { return z > 4.0 && z < to_mm ? -0.4 - 0.3 * (z - 4.0) : 0.0; }));
  };
  const SideShape fifth = lost_from(6.4);
  CHECK(fifth.turn_deg < 0.05);
  CHECK(fifth.bend_deg == Approx(0.0).margin(0.3));
  CHECK(fifth.off == Approx(0.2).margin(0.02));
  CHECK(lost_from(9.0).off > StraightnessOptions{}.most_off);
  CHECK(Shape(Side([](double) { return 0.0; })).off < 0.05);
}

TEST_CASE("waves that are others in each part of the frames are the spray's own", "[vision][straightness]") {
  constexpr double kAmplitudeMm = 0.1;
  const double span_mm = kFarMm - kNearMm;
  const auto wave = [&](double z, double phase) {
    return kAmplitudeMm * std::sin(3.0 * std::numbers::pi * (z - kNearMm) / span_mm + phase);
  };
  // A sixth of the frames each; what is seen of all is their middle.
  std::vector<std::vector<SidePoint>> standing, going;
  for (const double phase : {0.3, 2.1, 4.4, 5.8, 1.2, 3.5}) {
    standing.push_back(Side([&](double z) { return wave(z, 0.0); }));
    going.push_back(Side([&](double z) { return wave(z, phase); }));
  }
  const auto significance = [&](const std::vector<std::vector<SidePoint>>& parts, double left) {
    const auto all = Side([&](double z) { return left * wave(z, 0.0); });
    return ShapeOfSide(all, parts, kExitRadiusMm, StraightnessOptions{})->significance;
  };
  CHECK(significance(standing, 1.0) > StraightnessOptions{}.least_significance);
  // Six that go along by chance leave their amplitude over root 6.
  CHECK(significance(going, 0.41) < StraightnessOptions{}.least_significance);
  CHECK(significance({}, 0.41) > StraightnessOptions{}.least_significance);
}

TEST_CASE("a bend that differs from part to part of the frames is known as well as these agree",
          "[vision][straightness]") {
  // Parabolas that change the direction by `deg` from the near to the far station.
  const double span_mm = kFarMm - kNearMm;
  const auto bent = [&](double deg) {
    const double per_mm = deg * std::numbers::pi / 180.0 * (1.0 + kTan * kTan) / (2.0 * span_mm);
    return Side([=](double z) { return per_mm * (z - kNearMm) * (z - kNearMm); });
  };
  const auto u_bend_deg = [&](const std::vector<double>& of_parts) {
    std::vector<std::vector<SidePoint>> parts;
    for (const double deg : of_parts) parts.push_back(bent(deg));
    return ShapeOfSide(bent(5.0), parts, kExitRadiusMm, StraightnessOptions{})->u_bend_deg;
  };
  CHECK(u_bend_deg({5.0, 5.0, 5.0, 5.0, 5.0, 5.0}) < 0.1);
  // Standard deviation 2 sqrt(6 / 5), over root 6, times sqrt(5 / 3) for what six say of it.
  CHECK(u_bend_deg({3.0, 7.0, 7.0, 3.0, 3.0, 7.0}) == Approx(1.155).epsilon(0.15));
  CHECK(u_bend_deg({}) == 0.0);
}
