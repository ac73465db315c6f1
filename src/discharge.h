// From a point's pressure and flow readings to pressure drop, mass flow, flow area and discharge coefficient,
// and from all points to the element's flow law.
//   pressure drop = gauge pressure + density * g * height of the tap above the exit - loss between tap and
//   element loss          = k * density * volume flow^2, from a run with the element removed
//   (calib/line_loss.h) flow area     = mass flow / sqrt(2 * density * pressure drop);   Cd = flow area /
//   reference area flow law      = through-origin least squares of mass flow against sqrt(2 * density *
//   pressure drop)
// Uncertainty: statistics (independent from point to point), sensor, meter, tap height, ambient, density and
// area (shared by all points, so that they do not average down in the flow law), and the line's k. A tap
// ahead of the element whose line is not known: the loss is not taken out, and taken as anything up to 10 %
// of the drop in u.
#pragma once

#include <limits>
#include <optional>
#include <string>
#include <vector>

#include <calib/flag.h>
#include <calib/quantity.h>

#include "src/flow_average.h"
#include "src/pressure_points.h"
#include "src/rig.h"
#include "src/run.h"
#include "src/stand_log.h"
#include "src/stand_sensors.h"

namespace conebook::src {

struct CircuitReading;

// What was read at one point, before any physics.
struct PointReading {
  std::optional<double> log_t0_s, log_t1_s;  // the rows that were averaged
  double pressure_bar = 0.0;                 // as read: gauge or absolute
  double u_pressure_statistics_bar = 0.0;
  double pressure_dof = std::numeric_limits<double>::infinity();
  std::optional<double> u_pressure_bar;  // stated for this reading; instead of the sensor's
  FlowKind flow_kind = FlowKind::kNone;
  double flow = 0.0;  // unit by flow_kind
  double u_flow_statistics = 0.0;
  double flow_dof = std::numeric_limits<double>::infinity();
  std::vector<calib::Contribution> flow_shares;  // stated for this reading; instead of the meter's
  std::vector<calib::Contribution> flow_also;    // shares of the flow beside the meter's
  std::optional<double> temperature_c;
  std::optional<double> flow_from_s;  // log time; nothing: the whole stretch
  bool flow_extrapolated = false;     // the meter still followed the pressure's step to the stretch's end
  Direction direction = Direction::kUnknown;
  std::vector<CircuitReading> circuits;  // those that flowed; empty: one circuit
};

struct CircuitReading {
  std::size_t circuit = 0;  // of the rig's
  PointReading reading;
};

struct PointDischarge {
  std::optional<calib::Quantity> pressure_bar, flow_kg_s, flow_area_mm2;
  std::optional<Cd> cd;
  FlowNumbers numbers;
  double temperature_c = 0.0;
};

struct Discharge {
  std::vector<PointDischarge> points;
  std::optional<FlowLaw> law;
  std::vector<calib::Flag> flags;
};

std::vector<PointReading> ReadingsFromLog(const StandLog& log, const std::vector<SteadyStretch>& stretches,
                                          const FlowSettling& flow);

// Throws calib::InputError: unknown liquid, pulses without a K-factor, an area kind without its geometry.
Discharge ComputeDischarge(const Rig& rig, const std::vector<PointReading>& readings);

}  // namespace conebook::src
