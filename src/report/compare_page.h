// The page of a comparison: the table of quantities, a chart of each with every element, what a difference in
// flow comes from, remarks.
#pragma once

#include <string>

#include "src/compare.h"

namespace conebook::src {

std::string RenderComparePage(const Comparison& comparison);

}  // namespace conebook::src
