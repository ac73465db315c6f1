// What a page says of the sheet's waves and of swings: the edges over time as a picture, and the half angle's
// spectrum.
#pragma once

#include <string>

#include "src/run.h"

namespace conebook::src {

// A section; empty where there is nothing of it. At most a few points get pictures.
std::string MotionHtml(const Run& run);

}  // namespace conebook::src
