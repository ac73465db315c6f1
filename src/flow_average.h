// The steady flow of each pressure point: the time average of the meter's reading (for pulses: total pulses
// over time), after the meter has followed the pressure. A meter that lags is recognised from all points
// together: one time constant, an exponential approach per point.
#pragma once

#include <limits>
#include <vector>

#include "src/pressure_points.h"

namespace conebook::src {

struct FlowAverage {
  double mean = 0.0;          // unit of the flow column
  double u_statistics = 0.0;  // of the mean; rows are correlated, so not sd over root of rows
  double dof = std::numeric_limits<double>::infinity();
  double t0_s = 0.0;          // log time from which the meter had settled
  bool extrapolated = false;  // too short for the meter to settle: the end of the exponential was taken
};

struct FlowSettling {
  double lag_s = 0.0;  // time constant of the meter; 0: none seen
  std::vector<FlowAverage> points;
};

// whole_pulses: the column counts pulses, each row the rate over its own interval.
FlowSettling AverageFlow(const std::vector<double>& time_s, const std::vector<double>& flow,
                         bool whole_pulses, const std::vector<SteadyStretch>& stretches);

}  // namespace conebook::src
