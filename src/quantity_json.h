// Numbers and quantities as the result file writes them, for other JSON outputs; a quantity: {"value", "u",
// "dof"?, "lo95", "hi95", "budget"?}.
#pragma once

#include <optional>
#include <string>

#include <calib/quantity.h>

namespace conebook::src {

// As every JSON output writes a number: no negative zero. Throws std::logic_error where it is not finite.
double FiniteNumber(double value);

std::string QuantityJson(const calib::Quantity& quantity);

// The inverse; nothing where there is no value (null, a lower bound). Degrees of freedom of single
// contributions are not in it.
std::optional<calib::Quantity> QuantityFromJson(const std::string& json);

}  // namespace conebook::src
