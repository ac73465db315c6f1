// The index of a measured test day, schema "conebook.day/1": which clip gave which result file, or why none.
#pragma once

#include <string>
#include <vector>

#include "src/report/report.h"

namespace conebook::src {

// result_files: one an entry, relative to the index; empty where there is no run.
std::string DayJson(const DayReport& day, const std::vector<std::string>& result_files);

}  // namespace conebook::src
