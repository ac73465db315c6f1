// What a page says of how the spray is spread: extinction in the picture and about the axis, streaks,
// balance, and beside it what collectors caught.
#pragma once

#include <string>

#include "src/run.h"

namespace conebook::src {

// A section; empty where there is nothing of it. At most a few points get charts.
std::string SpreadHtml(const Run& run, bool with_charts);

}  // namespace conebook::src
