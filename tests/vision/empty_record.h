// A record of a frame in which nothing was found, for tests that fill in the rays by hand.
#pragma once

#include <cstdint>

#include <vision/frame_record.h>

namespace conebook::tests {

inline vision::FrameRecord EmptyRecord(int frame, int ray_rows) {
  vision::FrameRecord record;
  record.index = frame;
  const auto rows = static_cast<std::size_t>(ray_rows) * vision::kRayRowStep;
  record.edge.assign(rows * 2 * vision::kLadder, 0);
  record.peak.assign(rows * 2, 0);
  const std::size_t cells = static_cast<std::size_t>(ray_rows) * vision::kRays;
  record.ray_signal.assign(cells, 0);
  record.ray_texture.assign(cells, 0);
  record.ray_detail.assign(cells, 0);
  return record;
}

}  // namespace conebook::tests
