// How many digits a value with an uncertainty is shown with: u with two significant digits, the value to the
// same place (JCGM 100:2008, 7.2.6).
#pragma once

#include <string>

#include <calib/quantity.h>

namespace conebook::src {

// Digits after the point that show u with two significant digits; never negative, 9 at most.
// u = 0 claims perfection, and gets 6.
int DecimalsFor(double u);

struct Rounded {
  std::string value, u;
};
Rounded RoundByU(double value, double u);

// "35.12 ± 0.21"; the unit is for the caller to add.
std::string ValueWithU(const calib::Quantity& quantity);

// "34.70 to 35.54", 95 % coverage, to the digits of ValueWithU.
std::string IntervalText(const calib::Quantity& quantity);

}  // namespace conebook::src
