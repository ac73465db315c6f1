// Pressure points of a blow-down: a tank without a regulator, whose pressure falls slowly while the liquid
// flows, so that there are no steady stretches. The fall is cut into bins of pressure; each bin is a point.
// A meter follows the flow with a lag, so that it shows what flowed a moment earlier at a higher pressure:
// the flow of a bin is read a lag later than its pressure (exact to first order in the rate). What is not
// known of the lag goes into u as half the rate times u of the lag, as flow goes with the root of pressure.
// Where the rate times the lag is above 0.3 %, the bin is refused.
#pragma once

#include <string>
#include <vector>

#include <calib/flag.h>

#include "src/discharge.h"
#include "src/pressure_points.h"
#include "src/rig.h"
#include "src/stand_log.h"

namespace conebook::src {

struct SweepOptions {
  double bin_share = 0.10;  // of its pressure that a bin falls through; the root's bend is then below 1e-4
  double min_duration_s = 0.5;
  int min_rows = 6;
  double max_rate_times_lag = 0.003;
  double max_law_change = 0.03;  // of flow over root of pressure from a bin's first to its last third
  double max_rise = 0.05;        // of the pressure over what it had come down to: the fall ends there

  std::string InWords() const;
};

// A first-order meter's time constant.
struct MeterLag {
  double lag_s = 0.0, u_lag_s = 0.0;
  double most_s = 0.0;  // the bins are held against this
  enum class From { kStated, kOpening, kAssumed, kNoFlow } from = From::kNoFlow;
};

struct Sweep {
  MeterLag lag;
  std::vector<SteadyStretch> bins;  // in order of time
  std::vector<PointReading> readings;
  std::vector<calib::Flag> flags;
};

// [meter] lag_s of the rig, else from how the flow follows the pressure as the valve opens (a tap downstream
// of it), else 20 to 300 ms, assumed.
MeterLag FindMeterLag(const Rig& rig, const StandLog& log, const std::vector<double>& gauge_bar);

Sweep ReadSweep(const Rig& rig, const StandLog& log, const std::vector<double>& gauge_bar,
                const SweepOptions& options = {});

}  // namespace conebook::src
