// The charts of a run: flow, half angle and breakup against pressure drop with the single readings about each
// point, then the stand log and the single frames in time. A chart that would make no sense (no log, a single
// point) is not there.
#pragma once

#include <cstddef>
#include <optional>
#include <vector>

#include "src/report/chart.h"
#include "src/run.h"

namespace conebook::src {

struct ChartOptions {
  std::size_t readings = 1600;  // single readings drawn in a chart, at most; more are thinned evenly
};

// In the order of the page; those in time last.
std::vector<Chart> ChartsOf(const Run& run, const ChartOptions& options = {});

// Flow against pressure drop alone; nothing with fewer than two points.
std::optional<Chart> FlowChartOf(const Run& run, const ChartOptions& options);

}  // namespace conebook::src
