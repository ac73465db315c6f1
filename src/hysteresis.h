// From which side each pressure was reached, and whether the flow area depends on it: a valve that sticks, a
// deposit that moves, a meter or sensor that lags.
#pragma once

#include <optional>
#include <vector>

#include <calib/flag.h>

#include "src/pressure_points.h"
#include "src/rig.h"
#include "src/run.h"

namespace conebook::src {

// One a stretch, in order of time. Rising: the pressure came up to it, from a lower point or from nought (the
// valve was shut before). Falling: it came down from a higher one. Unknown: the log begins with it, or the
// point before has the same pressure.
std::vector<Direction> DirectionsOf(const std::vector<double>& gauge_bar,
                                    const std::vector<SteadyStretch>& stretches);

// Readings by hand, in the order given: each against the one before; the first is unknown.
std::vector<Direction> DirectionsOf(const std::vector<double>& readings_bar);

// Each falling point against the rising ones, interpolated at its pressure; falling points outside them count
// for nothing. u: what is not shared by the points, the sensor's own hysteresis where it is calibrated, and
// what a good meter and sensor repeat to; the scatter of the pairs where that is larger. Nothing without a
// pair. Adds a flag where there is none, or where the 95 % interval leaves out nought.
std::optional<FlowHysteresis> HysteresisOf(const Rig& rig, const std::vector<Point>& points,
                                           std::vector<calib::Flag>& flags);

}  // namespace conebook::src
