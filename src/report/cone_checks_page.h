// The checks of a rig with known cones as one self-contained HTML page: what was read less what was known,
// check by check in order of date, and a table. Same input, same bytes.
#pragma once

#include <string>
#include <vector>

#include "src/cone_checks.h"

namespace conebook::src {

// name: of the file of checks.
std::string RenderConeChecksHtml(const std::string& name, const std::vector<ConeCheck>& checks);

}  // namespace conebook::src
