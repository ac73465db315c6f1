// Drops followed over three neighbouring frames. First the way that most drops of like size have in common,
// from all pairs of drops; then each drop's nearest neighbour about the place where that way ends, within
// limits of search, and from there on with the way just made. A track counts only where one drop fits, each
// time. The same is tried with third frames from elsewhere in the clip: what fits there fits by chance.
// Refused where that is not rare, where another common way is nearly as frequent, or where several drops
// often fit. Common practice of particle tracking (nearest neighbour with prediction), no source; limits by
// us.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "vision/drop_finder.h"
#include "vision/drop_speed.h"

namespace conebook::vision {

struct DropTrackOptions {
  double least_px = 4.0;         // diameter
  double size_match = 0.2;       // |ln| of the ratio of diameters
  double farthest_part = 0.4;    // of the picture's smaller side, in a frame
  double cell_px = 3.0;          // in which common ways are counted
  double search_px = 4.0;        // about the expected place, and
  double search_part = 0.2;      // of the way
  double rival_part = 0.6;       // of the common way's count: another that frequent is one too many
  double most_by_chance = 0.15;  // of the tracks
  double most_several = 0.3;     // of the drops for which more than one fits
  // A drop seen again lies so near to where its own way has brought it: and a part of a pixel a frame.
  double again_px = 1.5, again_px_a_frame = 0.15;
  int least_tracks = 20;  // drops
  int groups = 24;        // of three frames, evenly
};

struct DropSpeedResult {
  std::optional<DropSpeed> speed;
  std::string why;
};

using ThreeFrames = std::array<FrameDrops, 3>;

// `first_frame`: number of each group's first frame, rising. A drop that is followed in several groups counts
// once.
DropSpeedResult TrackDrops(const std::vector<ThreeFrames>& groups,
                           const std::vector<std::int64_t>& first_frame, int width_px, int height_px,
                           double interval_s, const DropTrackOptions& options);

}  // namespace conebook::vision
