// What a page says of an element filmed at several rotations: its lean, the angle and the extinction around
// the cone.
#pragma once

#include <string>
#include <vector>

#include "src/run.h"

namespace conebook::src {

// Of one day's runs, for holder and camera stay as they are no longer.
struct ViewsOfDay {
  std::string date;  // in front of each sentence; empty: nothing there
  std::vector<const Run*> runs;
};

// A section under the heading; empty where no element was filmed at several rotations.
std::string ViewsHtml(const std::string& heading, const std::vector<ViewsOfDay>& days);

}  // namespace conebook::src
