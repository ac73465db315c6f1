// What published relations say of an element's Cd, cone half angle and drops, beside what was
// measured. Cd on the exit area, whatever area the rig refers to. u: of the geometry alone, by differences
// (GUM 5.1.3); how far a relation is from the truth is not in it.
#pragma once

#include <vector>

#include "src/rig.h"
#include "src/run.h"

namespace conebook::src {

// Empty: no pressure drop, or the rig does not state the geometry that a relation needs.
std::vector<TheoryLine> TheoryBeside(const Rig& rig, const Point& point);

// What published correlations say of D32, from liquid, flow and pressure drop, and the exit and the measured
// half angle where they are there (calib/drop_correlations.h). u: of flow and pressure alone. Empty: not a
// swirl element, or one of them is not known.
std::vector<TheoryLine> PublishedD32Beside(const Rig& rig, const Point& point);

}  // namespace conebook::src
