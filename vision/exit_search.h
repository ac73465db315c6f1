// Where the spray begins, for rigs that do not state [nozzle] exit_px. Good to some pixels; its u is said in
// the budget. Two looks: the first rows that change for good; and where the two outermost straight lines
// through the change farther down lie one exit diameter apart. The body of a shaking camera changes at its
// edges and may pass for the first; lines need two sides that open, which no body has. Where the first lies
// far from the second, the second is taken.
#pragma once

#include <vector>

#include "vision/clip_model.h"
#include "vision/footage.h"

namespace conebook::vision {

// Sets model.exit_px, in the reading picture. False: no such place.
bool FindExit(const std::vector<LumaFrame>& sample, ClipModel& model);

}  // namespace conebook::vision
