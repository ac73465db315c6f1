// What an unknown background does to a side's line. Without spray-free frames the background is continued
// across the spray; what stands there unseen moves each row's edge alike in all frames: by its difference
// from the level beside the edge, over the steepness of the flank. How large and how long along the rows such
// differences are shows where the background is seen: the same is read along lines beside the edge, farther
// and farther out from where it is no longer continued, and each gives the turn of the line that it would
// make under the rim.
#pragma once

#include <optional>
#include <span>

#include "vision/boundary.h"
#include "vision/clip_model.h"

namespace conebook::vision {

struct BackgroundEffectOptions {
  int lines = 12, step_px = 6;   // beside the edge
  int gap_px = 5, band_px = 18;  // beyond each: the band that its level is taken from, about as an edge's is
  double least_seen = 0.6;       // of the rows must lie in the picture, that far out
};

// Root mean square over the lines, in slope of the edge against the rows (px per px). `flank`: of the edge,
// px per unit of signal. Rows [row0, row1) of the boundary count. Nothing where the lit part of the picture
// ends at the edge.
std::optional<double> SlopeByBackground(const ClipModel& model, std::span<const BoundaryRow> boundary,
                                        int side, int row0, int row1, double flank,
                                        const BackgroundEffectOptions& options);

}  // namespace conebook::vision
