// Drawings of a sized plate, SVG in the page's own colours: its elements seen from the chamber with their
// pitch, and the cones of two neighbours and of the outermost element from the side, with where they meet.
#pragma once

#include <string>

#include "src/size.h"

namespace conebook::src {

std::string PlateDrawing(const SizeTarget& target, const SizeCandidate& candidate);
std::string ConesDrawing(const SizeTarget& target, const SizeCandidate& candidate);

}  // namespace conebook::src
