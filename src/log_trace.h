// A stand log thinned for the page.
#pragma once

#include <vector>

#include "src/rig.h"
#include "src/run.h"
#include "src/stand_log.h"

namespace conebook::src {

// Means over as many rows as leave some 2000; gauge_bar above ambient, as many as the log has rows.
LogTrace ThinnedTrace(const Rig& rig, const StandLog& log, const std::vector<double>& gauge_bar);

}  // namespace conebook::src
