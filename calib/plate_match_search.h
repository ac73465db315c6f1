// The best choice and placement, as far as it can be found, and how far from the best it can be at most.
//
// Choices with the least spread come from calib/plate_match_bound.h; from each of them, and from the stock
// sorted by flow, placements are improved by exchanging two sites' elements and by taking another element
// from the stock, until no single such move helps; then some sites are shaken and it goes on from there.
// Where every arrangement can be looked at within exact_nodes, passing over those whose first sites alone are
// worse than the best found, it is, and the answer is exact. All moves are counted, none is timed: the same
// problem gives the same answer everywhere.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "calib/plate_match.h"

namespace conebook::calib {

struct MatchSearchOptions {
  std::uint32_t seed = 1;                // of the shaking
  std::int64_t most_moves = 2'000'000;   // moves tried
  std::int64_t exact_nodes = 2'000'000;  // sites filled on trial; 0: no exact search
  int most_boxes = 6'000;                // of the bound
  double gap = 0.001;                    // of the bound, relative, at which it is good enough
  int starts = 24;                       // choices to begin from
  int most_others = 200;                 // other choices to keep
  std::optional<std::string> Problem() const;
};

struct MatchChoice {
  std::vector<int> placed;  // by site
  double score = 0.0;
};

struct MatchAnswer {
  MatchChoice best;
  double bound = 0.0;  // no arrangement has a smaller score
  bool exact = false;  // best is the best there is
  std::int64_t moves = 0, nodes = 0;
  // Other choices of elements that were come by, each as well placed as it was seen; rising score. Choices
  // that differ only in who stands where are one choice.
  std::vector<MatchChoice> others;
};

// Throws std::logic_error where ProblemOf, ShortageOf or the options have something to say.
MatchAnswer FindMatch(const MatchProblem& problem, const MatchSearchOptions& options = {});

}  // namespace conebook::calib
