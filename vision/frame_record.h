// What Read takes from one frame. Small integers: a record is spooled, so that memory stays flat over long
// clips.
#pragma once

#include <array>
#include <cstdint>
#include <limits>
#include <vector>

namespace conebook::vision {

// Crossings are kept at several parts of the first reference level: the clip's own level is known only at the
// end, and the spread over them is the threshold's share in u.
inline constexpr int kLadder = 6;
inline constexpr std::array<float, kLadder> kLadderParts{0.14F, 0.20F, 0.25F, 0.30F, 0.37F, 0.46F};
inline constexpr int kLadderFirst = 3;  // the rung at which connection to the exit is judged

// Rays from the exit, as parts of the guessed half width, across the central 80 %.
inline constexpr int kRays = 17;
inline constexpr int kRayRowStep = 3;  // in read rows
inline float RayPart(int ray) {
  constexpr int kMiddle = kRays / 2;
  return 0.1F * static_cast<float>(ray - kMiddle);
}

inline constexpr std::int16_t kNoEdge = std::numeric_limits<std::int16_t>::min();
inline constexpr float kEdgeUnitsPerPx = 16.0F;
inline constexpr float kPeakUnitsPerLevel = 50.0F;  // peak 255: 5.1 times the first level
inline constexpr float kSignalUnits = 8000.0F;      // ray signal, backlit: 1 = all light gone
inline constexpr float kTextureUnits = 60000.0F;

struct FrameRecord {
  std::int64_t index = 0;
  double stamp_s = 0.0;
  float gain = 1.0F;
  float shift_x_px = 0.0F, shift_y_px = 0.0F;
  float ln_scale = 0.0F, roll_rad = 0.0F;  // of the static scene, see scene_motion.h
  float miss_px = 0.0F, plain_miss_px = 0.0F;
  float nozzle_x_px = 0.0F, nozzle_y_px = 0.0F;  // the nozzle's edges against the scene
  float clipped_share = 0.0F;                    // of the limb's peaks
  float clipped_outside_share = 0.0F;            // of the spray-free pixels just outside the boundary
  float found_share = 0.0F;                      // of rows and sides
  float width = 0.0F;  // boundary against the guess, median over the middle rows; 0: none
  bool corrupt = false;
  bool tainted = false;  // see LumaFrame
  float changed = 1.0F;  // see LumaFrame
  // Distance of the boundary outward from the nozzle axis, 1/16 px, kNoEdge where missing: [row][side][rung].
  std::vector<std::int16_t> edge;
  // Peak of the limb band in 1/50 of the side's first level; 0 missing: [row][side].
  std::vector<std::uint8_t> peak;
  // [ray row][ray]
  std::vector<std::int16_t> ray_signal;
  std::vector<std::uint16_t> ray_texture;
  std::vector<std::int16_t> ray_detail;  // signal less its neighbourhood: drops and ligaments, signed

  std::size_t EdgeAt(int row, int side, int rung) const {
    return static_cast<std::size_t>((row * 2 + side) * kLadder + rung);
  }
};

}  // namespace conebook::vision
