// The least spread that any choice of elements can have, whatever stands where: a bound below the score, and
// choices to begin a search from.
//
// Spread is the mean square distance of the chosen from their own mean m. For a fixed m the best choice is
// the cheapest filling of the groups (shortest augmenting paths). m is searched by halving boxes: within a
// box with centre c and half diagonal r, sum |v - m|^2 over N chosen = sum |v - c|^2 - N |m - c|^2 is no less
// than the cheapest filling at c less N r^2, nor than the cheapest by distances to the box. Exact as the
// boxes shrink; with flow alone it finds the best window of the sorted stock. Derived here.
#pragma once

#include <vector>

#include "calib/plate_match_model.h"

namespace conebook::calib {

struct SpreadBound {
  double bound2 = 0.0;                    // no choice has a smaller spread part of score^2
  double best2 = 0.0;                     // of the best choice found
  std::vector<std::vector<int>> choices;  // group by element, -1: not chosen; best first
  int boxes = 0;
};

// Every site must have somebody to fill it. gap: relative distance of bound2 from best2 at which to stop.
SpreadBound BoundSpread(const MatchModel& model, int most_boxes, double gap, int most_choices);

}  // namespace conebook::calib
