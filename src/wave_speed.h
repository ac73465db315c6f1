// Sheet waves held against the liquid's own speed, which tells what the picture alone cannot: whether a wave
// came one length further between two frames than it seems.
#pragma once

#include <vector>

#include <calib/flag.h>

#include "src/rig.h"
#include "src/run.h"

namespace conebook::src {

// Fills wave_speed_part; takes a speed back that is not to be believed, with a flag that says why. Along the
// sheet waves go at about the liquid's speed (Squire 1953, Br. J. Appl. Phys. 4:167, from memory: waves on a
// thin sheet that grow are carried along with it), and that is 0.5 to 1.1 of sqrt(2 * drop / density), by
// friction.
void HoldWavesAgainstFlow(const Rig& rig, int number, Point& point, std::vector<calib::Flag>& flags);

}  // namespace conebook::src
