// What a table of runs says about one run in a line: ranges over its pressure points, flow from all points
// together.
#pragma once

#include <string>

#include "src/run.h"

namespace conebook::src {

// Column heads and as many cells: pressure drop, half-cone angle, breakup, flow area, Cd.
inline constexpr int kRunColumns = 5;
std::string RunColumnHeads();

// One cell over all columns with the reason where the run has no point.
std::string RunCells(const Run& run);

}  // namespace conebook::src
