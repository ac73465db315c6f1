// Where a steady pressure is not yet, or no longer, a pressure point: upstream of the valve the pressure
// stands while the valve is still shut, while the line fills and after it is shut again. The flow tells.
// A meter's lag at the start of a point is not this header's: see flow_average.h.
#pragma once

#include <vector>

#include "src/pressure_points.h"

namespace conebook::src {

// Draws in the ends that border on a shut valve to where the flow has come to the stretch's own level, and
// drops stretches in which only the line fills: more flow than right after them, at no more pressure, the
// valve open all the while. `open`: rows with pressure and flow. Rows must be as many in each.
void KeepToFlow(const std::vector<double>& time_s, const std::vector<double>& pressure_bar,
                const std::vector<double>& flow, const std::vector<bool>& open, const SteadyOptions& options,
                std::vector<SteadyStretch>& stretches);

// Mean, drift and scatter of the rows that it now has. False: too short, or not steady.
bool Describe(const std::vector<double>& time_s, const std::vector<double>& pressure_bar,
              const SteadyOptions& options, double max_drift, SteadyStretch& stretch);

}  // namespace conebook::src
