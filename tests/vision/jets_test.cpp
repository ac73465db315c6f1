// A line between the sides, on made-up means across the rays.
#include <cmath>
#include <numeric>

#include <catch2/catch.hpp>

#include <vision/refusal.h>

#include "empty_record.h"

using namespace conebook;

namespace {

constexpr int kRayRows = 80;
constexpr double kLevel = 0.3;

// In parts of the level: film on all rays, and a line of that texture (and signal) about one of them.
struct Seen {
  double film = 0.0;
  double line_texture = 0.1, line_signal = 0.0;
  vision::Illumination illumination = vision::Illumination::kFrontlit;
};

bool LineInside(const Seen& seen) {
  vision::ClipModel model;
  model.illumination = seen.illumination;
  model.level = {static_cast<float>(kLevel), static_cast<float>(kLevel)};
  vision::RecordSpool spool(kRayRows * vision::kRayRowStep, kRayRows);
  for (int k = 0; k < 8; ++k) {
    vision::FrameRecord record = conebook::tests::EmptyRecord(k, kRayRows);
    for (std::size_t cell = 0; cell < record.ray_signal.size(); ++cell) {
      const bool on_line = cell % vision::kRays == 10;
      const double signal = seen.film + (on_line ? seen.line_signal : 0.0);
      const double texture = 0.005 + (on_line ? seen.line_texture : 0.0);
      record.ray_signal[cell] =
          static_cast<std::int16_t>(std::lround(kLevel * signal * static_cast<double>(vision::kSignalUnits)));
      record.ray_texture[cell] = static_cast<std::uint16_t>(
          std::lround(kLevel * texture * static_cast<double>(vision::kTextureUnits)));
    }
    spool.Append(record);
  }
  std::vector<std::size_t> frames(spool.Frames());
  std::iota(frames.begin(), frames.end(), 0U);
  return vision::LineInside(model, spool, frames);
}

}  // namespace

TEST_CASE("a thin jet is seen by its texture though it stands between two rays", "[vision][jets]") {
  CHECK(LineInside({0.0, 0.1, 0.0}));
  CHECK_FALSE(LineInside({0.0, 0.0, 0.0}));
}

TEST_CASE("in front light the film beside a line says that it is the lamp mirrored in a sheet",
          "[vision][jets]") {
  CHECK_FALSE(LineInside({0.08, 0.1, 0.9}));
  CHECK_FALSE(LineInside({0.08, 0.1, 0.0}));
}
