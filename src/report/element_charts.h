// The charts of an element over all its runs: flow area run by run, and flow, half angle and breakup against
// pressure drop. The latest runs have a mark of their own, older ones share one; imported earlier results are
// open marks, superseded runs crosses, and both are named in the legend.
#pragma once

#include <vector>

#include "src/report/chart.h"
#include "src/report/element_report.h"

namespace conebook::src {

std::vector<Chart> ElementCharts(const ElementReport& report);

}  // namespace conebook::src
