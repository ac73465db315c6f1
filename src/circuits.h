// Elements with several circuits, a core and an annulus for instance, each with its own columns of the log,
// liquid, meter and area. A pressure point of such an element is a stretch in which every circuit is either
// steady or shut, and one at least flows; the spray there belongs to those that flow.
#pragma once

#include <string>
#include <vector>

#include <calib/flag.h>

#include "src/discharge.h"
#include "src/pressure_points.h"
#include "src/rig.h"
#include "src/run.h"
#include "src/stand_log.h"

namespace conebook::src {

// One circuit's columns of the log.
struct CircuitLog {
  StandLog log;
  std::vector<double> gauge_bar;
};

struct CircuitsSide {
  std::vector<CircuitLog> logs;          // one a circuit, in the rig's order
  std::size_t lead = 0;                  // the circuit that flows first: the clip is tied to its rise
  std::vector<SteadyStretch> stretches;  // one a point
  std::vector<PointReading> readings;    // one a point, with those of its circuits
  std::vector<calib::Flag> flags;
};

// Circuits' sensors take over their own zero at rest (rest_zero.h), in the rig. Throws calib::InputError as
// ReadStandLog does.
CircuitsSide ReadCircuits(Rig& rig, const std::string& log_path, const SteadyOptions& options);

// Points' circuits, total flow, theory, and the circuits' flow laws, hysteresis and nominal pressures; flags
// named by circuit. Where one circuit alone
// flows, its values are the point's; where several do, pressure drop, flow area and Cd of the point are
// nothing. run.points are as many as readings.
void FillCircuits(const Rig& rig, const std::vector<PointReading>& readings, Run& run);

// Of a point, those that flow: "core + annulus"; empty without circuits.
std::string CircuitsInWords(const Point& point);

}  // namespace conebook::src
