// The pressure sensor's zero, from the log before the valve is first opened. Only where the tap lies
// downstream of the valve: then nothing presses on it but what liquid may stand in the line.
#pragma once

#include <optional>

#include <calib/stated.h>

#include "src/rig.h"
#include "src/stand_log.h"

namespace conebook::src {

struct RestZero {
  calib::Stated zero_bar;         // what the sensor reads where there is no pressure
  double t0_s = 0.0, t1_s = 0.0;  // log time of the rows it is from
};

// Nothing: a tap upstream of the valve or an absolute sensor; no half second of rest before the first
// opening; more than 0.1 bar or unrest there; or a tap so far above or below the exit that liquid standing in
// the line could be 10 mbar. In u: scatter, resolution, and that standing liquid.
std::optional<RestZero> ZeroAtRest(const Rig& rig, const StandLog& log);

// The rig with that zero taken over, unless it states one.
Rig WithZeroAtRest(const Rig& rig, const StandLog& log);

}  // namespace conebook::src
