// A run in a few lines for a person at a terminal, units everywhere.
#pragma once

#include <string>

#include "src/run.h"

namespace conebook::src {

std::string RunSummary(const Run& run);

// "flagged: 3 points, half angle 38.2 to 41.0 deg, Cd 0.253" - one line for a table of runs.
std::string RunInOneLine(const Run& run);

// What was wrong and what to change before the clip is filmed again: refusals and warnings, each code once.
// Empty where there is none.
std::string WhatToChange(const Run& run);

}  // namespace conebook::src
