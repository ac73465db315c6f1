// The long-time truth of the boundary: independent pictures of each pressure point, far from any clip's
// frames, by the ideal camera (as it is in space) and by the clip's own (as the picture shows it).
#pragma once

#include <array>
#include <vector>

#include "render/boundary_truth.h"
#include "render/scene.h"
#include "render/sheet_edge.h"
#include "render/stand.h"

namespace conebook::render {

// Which stretch of the boundary counts: stations, and their rows at the scale at the exit.
struct StationRows {
  double near_mm = 0.0, far_mm = 0.0, px_per_mm = 1.0;
  int near_row = 0, far_row = 0;  // [near, far)
  StationRows(double near, double far, double scale);
};

using Levels = std::array<double, 2>;  // of the boundary's crossing, either side
Levels LevelsOf(const std::vector<const BoundaryStack*>& stacks, const StationRows& rows);

struct LongTimeOptions {
  // Pictures of a point are added until its half angle is known this well, but no more than so many.
  double u_deg = 0.01;
  int most_pictures = 200;
};

struct LongTime {  // one a point
  std::vector<LongTimeBoundary> ideal, own;
};

// `most_rows`: of a boundary.
LongTime DrawLongTime(const Scene& scene, const Spray& spray, const Camera& camera,
                      const StationRows& stations, int most_rows, const LongTimeOptions& options);

}  // namespace conebook::render
