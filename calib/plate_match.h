// Which elements of a stock belong together in one plate, and where: the problem, and how good an answer is.
//
// A plate has sites; sites of one ring lie around the plate's axis and are balanced against each other; sites
// of one group (the core, the wall row) have targets of their own, and take only elements that are admitted
// there. Angles are counter-clockwise looking upstream at the plate's face, as the views of an element are.
//
// Measures of an answer, N sites:
//   flow deviation of a site      d = 100 (flow area / target of its group - 1), per cent, per circuit
//   flow spread                   standard deviation (N - 1) of d over the plate
//   angle spread                  standard deviation of cone half angle less the group's target, degrees
//   circuit-ratio spread          standard deviation of 100 ((area 1 / area 2) / (target 1 / target 2) - 1)
//   k-th harmonic of a ring       (c / n) |sum (d - mean d of the ring) exp(i k angle)|, n sites in the ring;
//                                 c = 2: the amplitude of a wave with k lobes; c = 1 where n = 2 k. Only
//                                 where n >= 2 k. Of the plate: root of the mean over sites of the squares.
//   mean lean                     length of the mean of the elements' lean vectors as they stand, degrees
// With two circuits, spread and harmonics are the root of the mean of the circuits' squares.
//
// The combined score, in words: how far the plate is from one of equal elements, each measure counted in the
// deviation that the drawing allows, the parts added as squares. As a formula:
//   score^2 = sum over measures of weight (measure / scale)^2
// A score of 0 is a plate of equal elements. What all elements share (a meter that reads 1 % high) leaves it
// unchanged. The definitions are our own; only harmonics and standard deviation are common ones.
#pragma once

#include <optional>
#include <string>
#include <vector>

namespace conebook::calib {

struct PlateSite {
  int ring = 0;
  int group = 0;
  double angle_deg = 0.0;
  std::optional<double> mark_deg;  // azimuth that the element's datum mark faces; nothing: not clocked
};

// Of an error that several readings share (a meter's calibration, a day): which, and how much of it is in
// this reading for one standard deviation of it, in the reading's unit.
struct SharedError {
  int error = 0;
  double share = 0.0;
};

struct MatchReading {
  double value = 0.0;
  double own_u = 0.0;  // shared with no other reading
  std::vector<SharedError> shared;
};

// Components of a lean vector, from the datum mark (x) and a quarter turn counter-clockwise from it (y).
struct MatchLean {
  double x_deg = 0.0, y_deg = 0.0;
  double own_u_deg = 0.0;  // of each component
};

struct MatchElement {
  std::vector<MatchReading> flow_area_mm2;  // one a circuit
  std::optional<MatchReading> angle_deg;
  std::optional<MatchLean> lean;
  std::vector<bool> admitted;  // by group
};

struct GroupTarget {
  std::vector<double> flow_area_mm2;  // one a circuit
  double angle_deg = 0.0;
};

// 0 leaves a measure out.
struct MatchWeights {
  double flow = 1.0, angle = 1.0, circuit_ratio = 1.0, first_harmonic = 1.0, second_harmonic = 1.0,
         lean = 1.0;
};

// What counts as one. Harmonics count by flow_percent.
struct MatchScales {
  double flow_percent = 1.0, angle_deg = 1.0, ratio_percent = 1.0, lean_deg = 1.0;
};

struct MatchProblem {
  std::vector<PlateSite> sites;
  std::vector<MatchElement> elements;
  std::vector<GroupTarget> targets;  // by group
  MatchWeights weights;
  MatchScales scales;
};

// Which measures can be formed: angles where every element that is admitted anywhere has one, the ratio with
// two circuits, lean where each of them has one and every site is clocked. A weight of 0 takes one out.
struct MatchTerms {
  bool angle = false, ratio = false, lean = false;
};
MatchTerms TermsOf(const MatchProblem& problem);

struct MatchMeasures {
  double flow_spread_percent = 0.0;
  std::optional<double> angle_spread_deg, ratio_spread_percent, mean_lean_deg;
  double first_harmonic_percent = 0.0, second_harmonic_percent = 0.0;
  double score = 0.0;
};

// values[element]: what to take for the readings; empty: their values. placed[site]: an element.
struct ElementValues {
  std::vector<double> flow_area_mm2;
  double angle_deg = 0.0;
  double lean_x_deg = 0.0, lean_y_deg = 0.0;
};
std::vector<ElementValues> ValuesOf(const MatchProblem& problem);
MatchMeasures Measure(const MatchProblem& problem, const std::vector<ElementValues>& values,
                      const std::vector<int>& placed);

// Nothing where every site can be filled; else which groups lack how many: {group, missing}.
struct MatchShortage {
  std::vector<int> groups;
  int sites = 0, admitted = 0;
};
std::optional<MatchShortage> ShortageOf(const MatchProblem& problem);

// As somebody with a list would do it: sorted by flow area (of the first circuit), for each group neighbours
// in the list, those that spread least about a common deviation from the targets, put around in that order.
// Nothing where a group cannot be filled so.
std::optional<std::vector<int>> SortedByFlow(const MatchProblem& problem);

// What makes the problem unusable, in words: counts that do not fit, a scale or target that is not above
// zero.
std::optional<std::string> ProblemOf(const MatchProblem& problem);

}  // namespace conebook::calib
