// The charts of a run as data for the page's script: what to plot and what it says in words, not how it
// looks. Error bars are 95 % intervals. A chart that would make no sense (no log, a single point) is not
// there.
#pragma once

#include <string>
#include <vector>

#include "src/run.h"

namespace conebook::src {

struct Chart {
  std::string key;  // "flow", "half_angle", "breakup", "frames", "log"
  std::string title;
  std::string words;  // what a reader sees in it, for those who cannot
  std::string json;   // for report.js
};

// In the order of the page; "log" and "frames" last.
std::vector<Chart> ChartsOf(const Run& run);

}  // namespace conebook::src
