// The charts of a run in time: the stand log with its pressure points, the clip's span and the first spray
// frame, so that a clip tied to the log wrongly is seen at once; and the half angle and breakup of every
// frame.
#pragma once

#include <optional>

#include "src/report/chart.h"
#include "src/report/charts.h"
#include "src/run.h"

namespace conebook::src {

std::optional<Chart> LogChart(const Run& run, const ChartOptions& options);

// What log and footage were tied by: the signals of both on one time axis.
std::optional<Chart> SyncChart(const Run& run, const ChartOptions& options);

std::optional<Chart> FramesChart(const Run& run, const ChartOptions& options);

}  // namespace conebook::src
