// The page of a match: map, how good, who stands where, ties, spares, predicted flow, the stock against the
// drawing. One self-contained file.
#pragma once

#include <string>

#include "src/match.h"

namespace conebook::src {

std::string RenderMatchHtml(const MatchResult& result);

}  // namespace conebook::src
