// Traps of a stand that spoil a number, or a day, without any number looking wrong by itself.
#pragma once

#include <vector>

#include <calib/flag.h>

#include "src/discharge.h"
#include "src/rig.h"
#include "src/stand_log.h"

namespace conebook::src {

// A pressure that swings with one frequency (a pump): half peak to peak above 1 % of the mean, over five
// periods or more, and most of what moves at all. Readings say which rows are a point's; one a point.
void FlagPulsation(const StandLog& log, const std::vector<PointReading>& readings,
                   std::vector<calib::Flag>& flags);

// Flow over the root of pressure that changes within a point by more than 1 % and than chance explains: gas
// that comes out of solution in meter or inlets, a line that still fills, dirt.
void FlagDriftingCd(const StandLog& log, const std::vector<PointReading>& readings,
                    std::vector<calib::Flag>& flags);

// A liquid that warms or cools from point to point so far that its viscosity changes by 5 %.
void FlagTemperatureDrift(const Rig& rig, const std::vector<PointReading>& readings,
                          std::vector<calib::Flag>& flags);

// What may hurt somebody: mist of a flammable liquid, gas under pressure over the liquid.
void FlagDangers(const Rig& rig, double highest_bar, std::vector<calib::Flag>& flags);

}  // namespace conebook::src
