// Whether an element's readings of a day look like another element's: a label mixed up. Each element's day is
// held against the element's own other days and against those of all others, in every quantity, in units of
// how much an element varies from day to day (median absolute deviation over all elements, days taken out, so
// that a few wrong labels do not hide themselves). Distances are chi-square with as many degrees of freedom
// as there are quantities; 1 % over all days together to call a day unlike its element, one in a
// thousand to call it like another.
#pragma once

#include <cstddef>
#include <optional>
#include <vector>

namespace conebook::calib {

struct LabelledDay {
  int element = 0, day = 0;
  std::vector<std::optional<double>> values;  // the same quantities in all
  std::vector<double> least_spread;           // per quantity: no element repeats better than this; or empty
};

struct MaybeSwapped {
  int element = 0, day = 0;
  int fits = 0;            // the element whose other days it fits
  bool exchanged = false;  // that one's readings of the day fit this element in turn
  double p_own = 0.0, p_fits = 0.0;
};

// Nothing where there is no history to hold against: fewer than four elements read on two days or more.
std::vector<MaybeSwapped> FindSwapped(const std::vector<LabelledDay>& days);

}  // namespace conebook::calib
