// Drops on a window in front of the spray: they hold still while the spray's edge flutters. Where one covers
// the edge it is taken for part of the boundary; rows are told by edges that stand out of the side's line, at
// the same place in most frames, unlike the rows above and below; near the exit, where the sheet itself
// hardly flutters, by a step that no sheet makes.
#pragma once

#include <array>
#include <cstddef>
#include <vector>

#include <calib/flag.h>

#include "vision/clip_model.h"
#include "vision/record_spool.h"

namespace conebook::vision {

struct StillEdgeOptions {
  double still_px = 0.4;         // about its median: a still edge
  double least_excess = 0.3;     // share of frames in which an edge is still, above that of the rows around
  double least_out_px = 1.5;     // beyond the rows around
  double least_step_px = 4.0;    // the same, where they hold as still
  double least_length_px = 6.0;  // of a drop, along the edge
  double around_px = 60.0;       // rows above and below that a row is held against
  double margin_px = 5.0;        // left out at either end of a drop
  double doubt_share = 0.2;      // of the rows: worth a warning
};

struct StillEdges {
  std::array<std::vector<char>, 2> rows;  // per side: 1 where a drop covers the edge; empty: nowhere
  std::array<double, 2> share{0.0, 0.0};  // of the rows that show an edge
  bool Any() const { return share[0] > 0.0 || share[1] > 0.0; }
};

StillEdges FindStillEdges(const ClipModel& model, const RecordSpool& spool,
                          const std::vector<std::size_t>& frames, const StillEdgeOptions& options);

void FlagStillEdges(const StillEdges& still, const StillEdgeOptions& options,
                    std::vector<calib::Flag>& flags);

}  // namespace conebook::vision
