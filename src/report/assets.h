// Files embedded in the program at build time (src/report/assets), byte for byte.
#pragma once

#include <string_view>

namespace conebook::src {

std::string_view PlotlyBundle();
std::string_view ReportStyle();
std::string_view ReportScript();

}  // namespace conebook::src
