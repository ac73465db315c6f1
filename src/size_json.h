// What `conebook size` found, as JSON of schema conebook.size/1: lengths in mm, flows in kg/s, intervals of
// 95 %, u as standard uncertainty, sd and shares of logarithms (parts of the value). Missing is null.
#pragma once

#include <optional>
#include <string>

#include "src/size.h"

namespace conebook::src {

// Either a prediction for one geometry or a plate's sizing.
std::string SizeJson(const SizeModel& model, const SizePrediction& prediction);
std::string SizeJson(const SizeModel& model, const Sizing& sizing);

}  // namespace conebook::src
