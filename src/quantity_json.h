// A quantity as the result file writes it, for other JSON outputs: {"value", "u", "dof"?, "lo95", "hi95",
// "budget"?}.
#pragma once

#include <string>

#include <calib/quantity.h>

namespace conebook::src {

std::string QuantityJson(const calib::Quantity& quantity);

}  // namespace conebook::src
