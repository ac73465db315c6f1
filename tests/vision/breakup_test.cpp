// The end of the sheet, on readings made up from known fronts: no picture is involved, so that the statistics
// are judged alone.
#include <cmath>
#include <numeric>
#include <random>

#include <catch2/catch.hpp>

#include <vision/breakup.h>
#include <vision/statistics.h>

#include "empty_record.h"

using namespace conebook;

namespace {

struct Made {
  double scatter = 0.1;  // sd of ln(front), each wall on its own
  double sheet = 0.002;  // texture of one whole wall
  double drops = 0.02;   // and below its end
  double median_mm = 20.0;
  int frames = 120;
  unsigned seed = 1;
  double near_part = 1.0, far_part = 1.0;  // where either wall's end is seen, over where it is
  double threads = 0.0, threads_to = 1.0;  // texture of what hangs on the end, as far as this times the front
  double drops_to = 1e9;                   // times the front; farther down drops are not seen
  double fading = 0.0;                     // texture at the exit that fades down the sheet
  double lone_streak = 0.0;                // texture of one long streak a ray, somewhere far down; 0: none
};

double TextureOfWall(const Made& made, double z_mm, double front_mm) {
  if (z_mm < front_mm) return made.sheet + made.fading * std::exp(-z_mm / (0.3 * made.median_mm));
  if (z_mm > made.drops_to * front_mm) return made.sheet;
  return z_mm < made.threads_to * front_mm ? made.threads : made.drops;
}

constexpr int kRayRows = 300;
constexpr double kRowMm = 0.15;

// Two walls a ray, each whole to a front of its own; what is seen is the sum, as power.
vision::RecordSpool Spool(const Made& made) {
  vision::RecordSpool spool(kRayRows * vision::kRayRowStep, kRayRows);
  std::mt19937 random(made.seed);
  std::normal_distribution<double> normal;
  for (int k = 0; k < made.frames; ++k) {
    vision::FrameRecord record = conebook::tests::EmptyRecord(k, kRayRows);
    for (std::size_t ray = 0; ray < vision::kRays; ++ray) {
      const double front[2] = {made.near_part * made.median_mm * std::exp(made.scatter * normal(random)),
                               made.far_part * made.median_mm * std::exp(made.scatter * normal(random))};
      const double streak_mm =
          made.median_mm * (1.6 + 1.2 * std::abs(std::sin(37.0 * k + 11.0 * static_cast<double>(ray))));
      for (std::size_t row = 0; row < kRayRows; ++row) {
        const double z_mm = kRowMm * static_cast<double>(row);
        double power = 0.0;
        for (const double f : front) power += std::pow(TextureOfWall(made, z_mm, f), 2);
        if (std::abs(z_mm - streak_mm) < 0.15 * made.median_mm) power += std::pow(made.lone_streak, 2);
        const double level = std::sqrt(power);
        const std::size_t at = row * vision::kRays + ray;
        const auto units = [](double value, double per) { return std::lround(value * per); };
        record.ray_texture[at] = static_cast<std::uint16_t>(
            units(level * std::exp(0.3 * normal(random)), static_cast<double>(vision::kTextureUnits)));
        record.ray_detail[at] = static_cast<std::int16_t>(
            units(level * normal(random), static_cast<double>(vision::kTextureUnits)));
        // Drops thin out below, so the signal flickers most where the sheet has just ended.
        const double thin = z_mm > made.median_mm ? made.median_mm / z_mm : 1.0;
        record.ray_signal[at] = static_cast<std::int16_t>(
            units(4.0 * level * thin * normal(random), static_cast<double>(vision::kSignalUnits)));
      }
    }
    spool.Append(record);
  }
  return spool;
}

vision::BreakupReading Read(const Made& made) {
  const vision::RecordSpool spool = Spool(made);
  std::vector<std::size_t> frames(spool.Frames());
  std::iota(frames.begin(), frames.end(), 0U);
  std::vector<double> distance;
  for (int row = 0; row < kRayRows; ++row) distance.push_back(kRowMm * row);
  vision::BreakupOptions options;
  options.walls.push_back([&](double) {
    vision::WallsSeen walls;
    walls.near.fill(made.near_part);
    walls.far.fill(made.far_part);
    return walls;
  });
  const vision::BreakupResult result = vision::ReadBreakup(spool, frames, distance, 1.0, options);
  INFO(result.none.reason);
  REQUIRE(result.reading);
  return *result.reading;
}

}  // namespace

// Order statistics: with two independent fronts of median m, P(the nearer lies beyond m) = 1/4.
TEST_CASE("the upper quartile of the nearer of two fronts is the median of one, whatever their scatter",
          "[vision][breakup]") {
  for (const double scatter : {0.03, 0.1, 0.2}) {
    Made made;
    made.scatter = scatter;
    made.seed = static_cast<unsigned>(1000.0 * scatter);
    const vision::BreakupReading reading = Read(made);
    INFO("scatter " << scatter);
    CHECK(reading.front == Approx(made.median_mm).epsilon(0.02));
    // The single steepest rise meets the nearer front, short by 0.545 standard deviations (median of the
    // smaller of two normal values; from memory), the more the fronts scatter.
    CHECK(std::log(reading.rise / made.median_mm) == Approx(-0.545 * scatter).margin(0.02));
    CHECK(reading.half == Approx(made.median_mm).epsilon(0.06));
  }
}

TEST_CASE("walls whose ends are seen apart give the end of either", "[vision][breakup]") {
  for (const double apart : {0.05, 0.15, 0.3}) {
    for (const double sign : {1.0, -1.0}) {  // the near wall seen below or above
      Made made;
      made.near_part = 1.0 + sign * apart;
      made.far_part = 1.0 - sign * apart;
      made.seed = static_cast<unsigned>(1000.0 * apart + 5.0 * sign);
      INFO("apart " << sign * apart);
      CHECK(Read(made).front == Approx(made.median_mm).epsilon(0.03));
    }
  }
}

TEST_CASE("the end of the sheet is found alike in strong and in faint drops", "[vision][breakup]") {
  for (const double drops : {0.008, 0.02, 0.2}) {
    Made made;
    made.drops = drops;
    made.seed = 7;
    INFO("drops " << drops);
    CHECK(Read(made).front == Approx(made.median_mm).epsilon(0.025));
  }
}

TEST_CASE("faint threads that strong drops follow begin where the sheet ends", "[vision][breakup]") {
  Made made;
  made.threads = 0.03;
  made.threads_to = 1.15;
  made.drops = 0.1;
  made.scatter = 0.04;
  made.seed = 11;
  CHECK(Read(made).front == Approx(made.median_mm).epsilon(0.03));
}

// A wide cone from near by: the near wall ends far above the far one, and drops show just below either end
// only.
TEST_CASE("walls whose ends stand far apart, with little to be seen between, give the end of either",
          "[vision][breakup]") {
  Made made;
  made.near_part = 0.74;
  made.far_part = 1.2;
  made.drops_to = 1.2;
  made.scatter = 0.05;
  made.seed = 12;
  CHECK(Read(made).front == Approx(made.median_mm).epsilon(0.04));
}

// Rims that fill the width of a narrow cone.
TEST_CASE("texture that fades down the sheet does not push its end down", "[vision][breakup]") {
  Made made;
  made.fading = 0.03;
  made.drops = 0.01;
  made.scatter = 0.15;
  made.seed = 14;
  CHECK(Read(made).front == Approx(made.median_mm).epsilon(0.03));
}

// The end of the one wall, then a smooth stretch of the other, then its end.
TEST_CASE("where both walls end far apart by chance the nearer end is taken", "[vision][breakup]") {
  Made made;
  made.scatter = 0.25;
  made.drops_to = 1.5;
  made.seed = 15;
  CHECK(Read(made).front == Approx(made.median_mm).epsilon(0.02));
}

// Long exposures of few drops: most of a ray is empty below the sheet's end, but for a streak far down.
TEST_CASE("a lone streak far below is not the end of the sheet", "[vision][breakup]") {
  Made made;
  made.median_mm = 12.0;
  made.drops = 0.01;
  made.drops_to = 1.5;
  made.lone_streak = 0.03;
  made.seed = 13;
  CHECK(Read(made).front == Approx(made.median_mm).epsilon(0.1));
}

TEST_CASE("a sheet that goes on is told from drops that fly from the exit on", "[vision][breakup]") {
  const auto read = [](const Made& made, double rim_level) {
    const vision::RecordSpool spool = Spool(made);
    std::vector<std::size_t> frames(spool.Frames());
    std::iota(frames.begin(), frames.end(), std::size_t{0});
    std::vector<double> distance;
    for (int row = 0; row < kRayRows; ++row) distance.push_back(kRowMm * row);
    vision::BreakupOptions options;
    options.rim_level = rim_level;
    return vision::ReadBreakup(spool, frames, distance, 2.0, options);
  };
  Made made;
  made.median_mm = 500.0;  // far out of the picture
  const vision::BreakupResult sheet = read(made, 0.5);
  CHECK_FALSE(sheet.reading);
  CHECK(sheet.none.lower_bound);
  made.sheet = made.drops;
  const vision::BreakupResult drops = read(made, 0.5);
  CHECK_FALSE(drops.reading);
  CHECK_FALSE(drops.none.lower_bound);
  CHECK(drops.none.reason.find("no sheet") != std::string::npos);
}

TEST_CASE("the scatter of the end of the sheet falls as the root of the frames", "[vision][breakup]") {
  Made few;
  few.frames = 60;
  Made many = few;
  many.frames = 240;
  // Each u rests on eight blocks: good to a quarter.
  const double ratio = Read(few).u_statistics / Read(many).u_statistics;
  CHECK(ratio > 1.2);
  CHECK(ratio < 3.4);
}

// JCGM 101:2008, 6.4.9.4: u = sqrt((n - 1) / (n - 3)) s / sqrt(n).
TEST_CASE("the mean of few values carries what so few say of their scatter", "[vision][statistics]") {
  const std::vector<double> values{1.0, 2.0, 3.0, 4.0, 5.0};  // s = sqrt(2.5)
  const auto u = vision::UncertaintyOfMean(values);
  REQUIRE(u);
  CHECK(*u == Approx(std::sqrt(4.0 / 2.0) * std::sqrt(2.5) / std::sqrt(5.0)).epsilon(1e-12));
  CHECK_FALSE(vision::UncertaintyOfMean(std::vector<double>{1.0, 2.0, 3.0}));
}
