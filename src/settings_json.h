// Every option that can change a number, as one JSON object: the rig as read (a sheet's overrides merged in),
// and the criteria of the steps.
#pragma once

#include <string>

#include "src/measure.h"

namespace conebook::src {

std::string SettingsJson(const MeasureInput& input);

}  // namespace conebook::src
