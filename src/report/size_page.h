// What `conebook size` found, as one self-contained page: prediction against the record with every element,
// how each is foretold by the others, the plate's layout and its cones from the side. Same input, same bytes.
#pragma once

#include <string>

#include "src/size.h"

namespace conebook::src {

std::string SizePage(const SizeModel& model, const SizePrediction& prediction);
std::string SizePage(const SizeModel& model, const Sizing& sizing);

}  // namespace conebook::src
