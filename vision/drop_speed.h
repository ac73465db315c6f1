// How fast the drops of a close-up go. What vision/drop_tracks.h reads.
#pragma once

namespace conebook::vision {

struct DropSpeed {
  // Mean of the tracks, from one frame to the next, as rows are read: along the spray, and to the right.
  double along_px = 0.0, across_px = 0.0;
  double speed_px = 0.0, u_speed_px = 0.0;  // median of the tracks' own, and its statistics
  double scatter_px = 0.0;                  // robust spread of the tracks' speeds
  double interval_s = 0.0;
  int tracks = 0;
  double by_chance = 0.0;  // share of as many tracks that unrelated pictures give
};

}  // namespace conebook::vision
