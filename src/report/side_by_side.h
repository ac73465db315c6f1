// Stills of several elements at about one pressure drop, to be judged by eye: the exit in the same place,
// axis down, the same millimetres across, and grey levels between the same two marks (in back light from
// black to the air's light; in front light from the dark behind to the brightest of the spray). One
// self-contained page. With the order hidden, elements are numbered in an order that says nothing, and the
// key is folded away at the end.
#pragma once

#include <cstddef>
#include <string>
#include <vector>

#include "src/run.h"

namespace conebook::src {

struct SideBySideEntry {
  Run run;
  std::size_t point = 0;  // the one nearest to the wanted pressure
  std::string record;     // its key
};

struct SideBySide {
  std::vector<SideBySideEntry> entries;  // as asked for
  double at_bar = 0.0;
  bool hide_order = false;
};

// Throws calib::InputError where stills cannot be put side by side: a scale is missing, or the light differs.
std::string RenderSideBySideHtml(const SideBySide& what);

// Of an entry's still: `width_mm` across and `height_mm` down from a little above the exit, `px_per_mm` of
// the picture made; grey as said above. For the page, and for tests.
cv::Mat ComparableStill(const SideBySideEntry& entry, double width_mm, double height_mm, double px_per_mm);

}  // namespace conebook::src
