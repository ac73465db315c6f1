// Between which pressure drops the spray opens to its full cone, and, as the pressure falls, closes again.
// The two differ: what has opened stays open below the pressure at which it opened.
#pragma once

#include <string>
#include <vector>

#include <calib/flag.h>

#include "src/run.h"

namespace conebook::src {

// `points` in order of time. A point belongs to a rise (fall) of the pressure drop if its neighbour in time
// lies on the other side of it; the highest and lowest of a rise and a fall belong to both. Points without a
// pressure or a stage count for nothing. Nothing on a branch without both an undeveloped and a fully
// developed point; where an undeveloped one lies above a fully developed one, nothing and a flag.
Opening OpeningOf(const std::vector<Point>& points, std::vector<calib::Flag>& flags);

// For people, one a known interval.
std::vector<std::string> OpeningSentences(const Opening& opening);

}  // namespace conebook::src
