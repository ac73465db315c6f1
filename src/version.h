// Which program this is: stands in every result, so that a number can be traced to the code that made it.
#pragma once

#include <string>

namespace conebook::src {

std::string ProgramVersion();  // "0.1.0"
std::string ProgramBuild();    // commit and build type, or "unknown"

}  // namespace conebook::src
