// Visible boundary of a stretch of frames: per row and side the median over frames of the outermost crossing
// of 0.30 of the clip's reference level. Reading-frame pixels, outward from the nozzle axis.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <span>
#include <vector>

#include "vision/record_spool.h"

namespace conebook::vision {

inline constexpr double kBoundaryPart = 0.30;  // of the reference level: the definition

struct BoundaryRow {
  int row = 0;  // index of the read row
  double out_px = 0.0;
  double found = 0.0;  // share of frames
};

struct BoundaryOptions {
  double least_found = 0.3;  // share of frames in which a row must show an edge
  int least_frames = 3;
};

// The clip's reference level of a side, in parts of the model's first level: median over rows [row0, row1)
// and the frames of the limb band's peak. Nothing where too few rows show a limb.
std::optional<double> ReferencePart(const RecordSpool& spool, std::span<const std::size_t> frames, int side,
                                    int row0, int row1);

// Crossing at `part` of the first level from the kept rungs, linear between them; kNoEdge turns to nothing.
std::optional<double> EdgeAtPart(const std::int16_t* rungs, double part);

// How far each frame's side is turned outwards about the exit, which the median is not to see.
struct FrameTurns {
  std::vector<double> by_frame;  // px outwards per px down from the exit
  std::vector<double> down_px;   // of each read row, from the exit
};

std::vector<BoundaryRow> MedianBoundary(const RecordSpool& spool, std::span<const std::size_t> frames,
                                        int side, double part, const BoundaryOptions& options,
                                        const FrameTurns* turns = nullptr);

}  // namespace conebook::vision
