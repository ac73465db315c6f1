// Two grain indices side by side: which is the coarser, or that they cannot be ranked. An index is no
// diameter; it depends on rig, distance and exposure, so only runs of one rig are ranked.
#pragma once

#include <string>

#include "src/run.h"

namespace conebook::src {

enum class GrainRank { kFirstCoarser, kSecondCoarser, kCannotRank };

struct GrainComparison {
  GrainRank rank = GrainRank::kCannotRank;
  std::string words;  // "coarser by 1.31 (95 %: 1.12 to 1.53)", or "cannot rank: ..." with the reason
};

// As far apart as 1.96 of the root of both u squared, in logarithms; on records of one camera and scale (as
// stated in the rigs), at pressure drops within 5 %.
GrainComparison CompareGrain(const Run& first_run, const Point& first, const Run& second_run,
                             const Point& second);

}  // namespace conebook::src
