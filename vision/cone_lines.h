// Straight lines through both sides of a boundary between the stations, and the half angles that they have in
// space as a camera sees them. Shared by the fit (cone_fit.h) and its budget (cone_budget.h).
#pragma once

#include <array>
#include <optional>
#include <span>
#include <utility>
#include <vector>

#include <calib/cone_projection.h>

#include "vision/boundary.h"
#include "vision/clip_model.h"
#include "vision/cone_fit.h"
#include "vision/statistics.h"

namespace conebook::vision {

struct HalfAngles {  // deg
  double left = 0.0, right = 0.0;
  double Mean() const { return 0.5 * (left + right); }
  double Lean() const { return 0.5 * (right - left); }
};

using RowRanges = std::array<std::pair<int, int>, 2>;  // of either side, between the stations: [first, past)

using BoundarySides = std::array<std::vector<BoundaryRow>, 2>;  // left, right

struct SideLine {
  Line line;               // x_mm on z_mm
  double spread_mm = 0.0;  // of all rows about the line, robust
};

// What a line is fitted under, whatever the camera.
struct LineSetting {
  const ClipModel& model;
  double near_mm, far_mm;
  const ConeFitOptions& options;
};

// Where a row's edge lies in the axis plane; nothing beyond the stations.
std::optional<calib::AxisPlanePoint> PlaceBetweenStations(const LineSetting& setting,
                                                          const calib::ConeProjection& projection,
                                                          const BoundaryRow& row, int side);

// Nothing: too few rows between the stations.
std::optional<SideLine> LineOfSide(const LineSetting& setting, std::span<const BoundaryRow> rows, int side,
                                   const calib::ConeProjection& projection, double px_per_mm);

std::optional<HalfAngles> AnglesUnder(const calib::ConeCamera& camera, const BoundarySides& boundary,
                                      const LineSetting& setting);

}  // namespace conebook::vision
