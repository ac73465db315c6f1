// What a page says of an element with several circuits: which flowed at each point, and each one's numbers.
#pragma once

#include <string>
#include <vector>

#include "src/report/chart.h"
#include "src/report/charts.h"
#include "src/run.h"

namespace conebook::src {

// A section with one table a circuit; empty without circuits.
std::string CircuitsHtml(const Run& run);

// Flow against pressure drop, one chart a circuit that flowed at two points or more.
std::vector<Chart> CircuitCharts(const Run& run, const ChartOptions& options);

}  // namespace conebook::src
