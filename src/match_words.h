// A match for people: what is printed, and the sentences that the page uses, too.
#pragma once

#include <string>
#include <vector>

#include "src/match.h"

namespace conebook::src {

// The whole summary, several lines with their ends.
std::string MatchInWords(const MatchResult& result);

// "24 accepted, 4 undecided, 2 rejected of 30".
std::string AcceptanceInWords(const MatchResult& result, bool wall);

// How good the match is, what bounds it, and what sorting by flow would have given; a sentence each.
std::vector<std::string> ScoreInWords(const MatchFound& found);

// "A03 instead of A17 (+0.002, u 0.020)".
std::string TieInWords(const TiedChoice& tie, const MatchResult& result);

// "3 other choices ...", or that there is none.
std::string TiesInWords(const MatchFound& found);

// One row a measure: name with unit, as measured, expected, what counts as one, sorted by flow.
struct MeasureRow {
  std::string name, measured, expected, scale, sorted;
};
std::vector<MeasureRow> MeasureRows(const MatchResult& result);

// What to do once the plate is assembled.
std::string AfterAssembly();

}  // namespace conebook::src
