// How many bytes the matter of a page may take so that the whole stays under 3 MB.
#pragma once

#include <cstddef>

#include "src/report/assets.h"

namespace conebook::src {

inline constexpr std::size_t kPageBytes = 2'950'000;

// For the sections of runs, given the rest of the page's matter.
inline std::size_t BytesForRuns(std::size_t rest) {
  constexpr std::size_t kHeadAndFoot = 4'000;
  const std::size_t taken =
      PlotlyBundle().size() + ReportStyle().size() + ReportScript().size() + kHeadAndFoot + rest;
  return taken < kPageBytes ? kPageBytes - taken : 0;
}

}  // namespace conebook::src
