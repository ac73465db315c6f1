// What a page says of drop sizes: table, distribution, and what was left out.
#pragma once

#include <string>

#include "src/run.h"

namespace conebook::src {

// A section; empty where no point has drop sizes.
std::string DropsHtml(const Run& run, bool with_charts);

}  // namespace conebook::src
