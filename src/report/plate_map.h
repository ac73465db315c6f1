// The plate as a picture: rings and positions as they are seen looking upstream at the face, who stands
// where, and how each one's flow is off its target. An SVG of its own, for the shop and for the page; on the
// page it takes the page's colours.
#pragma once

#include <string>

#include "src/match.h"

namespace conebook::src {

// Throws std::logic_error for a match without a solution. on_page: no XML head, colours of the page's style.
std::string PlateMapSvg(const MatchResult& result, bool on_page = false);

}  // namespace conebook::src
