// Where the spray begins, for rigs that do not state [nozzle] exit_px. Good to some pixels; its u is said in
// the budget. Three looks: where both rims of a cone hang from (rim_search.h), trusted where they are clear;
// the first rows that change for good; and where the two outermost sides of the change farther down come
// from, as straight paths off a ring the width of the film. The body of a shaking camera changes at its edges
// and may pass for the second; a faint sheet may not show in it; sides need to open, which no body's do.
// Where the second lies far from the third, the third is taken. Once the sides have been followed, the exit
// is held against them (cone_origin.h).
#pragma once

#include <vector>

#include "vision/clip_model.h"
#include "vision/footage.h"

namespace conebook::vision {

// Sets model.exit_px, in the reading picture, and u_exit_px. False: no such place.
bool FindExit(const std::vector<LumaFrame>& sample, ClipModel& model);

}  // namespace conebook::vision
