// The table of a run's pressure points: a row a quantity, a column a point, values to the digits that u
// supports, and, where there is no number, why. And what makes up each u.
#pragma once

#include <string>

#include "src/run.h"

namespace conebook::src {

// prefix keeps ids apart where a page shows several runs.
std::string PointTableHtml(const Run& run, const std::string& prefix);

// Details elements, closed: every quantity's contributions, largest first. Empty where no budget was kept.
std::string BudgetHtml(const Run& run);

// "half_angle_deg" -> "half angle"; what is not known comes back with its underscores as blanks.
std::string QuantityInWords(const std::string& key);

// "point 2 (6.0 bar)", "point 2" without a log.
std::string PointInWords(const Run& run, int point);

}  // namespace conebook::src
