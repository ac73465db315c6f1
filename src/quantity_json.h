// A quantity as the result file writes it, for other JSON outputs: {"value", "u", "dof"?, "lo95", "hi95",
// "budget"?}.
#pragma once

#include <optional>
#include <string>

#include <calib/quantity.h>

namespace conebook::src {

std::string QuantityJson(const calib::Quantity& quantity);

// The inverse; nothing where there is no value (null, a lower bound). Degrees of freedom of single
// contributions are not in it.
std::optional<calib::Quantity> QuantityFromJson(const std::string& json);

}  // namespace conebook::src
