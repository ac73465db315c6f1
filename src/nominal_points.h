// Measured pressure points against the pressures that the test was to hold ([points] nominal_bar).
#pragma once

#include <vector>

#include <calib/flag.h>

#include "src/rig.h"
#include "src/run.h"

namespace conebook::src {

// Each point takes the nearest nominal pressure drop within the tolerance; several may take one (rising,
// falling, repeats). Points without any, and nominal pressures without a point, are flagged.
void MatchNominal(const NominalPoints& nominal, std::vector<Point>& points, std::vector<calib::Flag>& flags);

}  // namespace conebook::src
