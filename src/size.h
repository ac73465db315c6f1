// Sizing a plate: of all elements that can be made with the drills at hand, and all numbers of them that the
// plate holds, those most likely to give the wanted flow and cone angle, ranked, with what it takes to judge
// them: layout, where cones meet each other and the wall, spread by drilling, how far each extrapolates, and
// the one element to make and test next.
//
// Score: chance that the plate's flow lies within the target's band, times the chance that the cone half
// angle lies within its window, from the laws' own spreads (normal, moments). Intervals that are shown are of
// the whole mixture.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include <calib/ring_layout.h>

#include "src/size_model.h"
#include "src/size_target.h"

namespace conebook::src {

// How far below the plate a cone of half angle a meets its neighbour's or the wall: r^2 = exit radius^2 + (z
// tan a)^2. In still air at 1 bar, for the sheet or where its drops fly on straight.
struct MeetsAt {
  double mm = 0.0, lo95_mm = 0.0, hi95_mm = 0.0;
};
MeetsAt ConeMeets(double from_axis_mm, double exit_mm, const SizeValue& half_angle_deg);

// Relative standard deviation of one element's flow from another's by the drilled diameters, each hole on its
// own: first order, and the same by drawing elements.
struct DrillingSpread {
  double linear = 0.0, drawn = 0.0;
  int draws = 0;
  double common_drill = 0.0;  // of all together, where one drill of each size makes the whole plate
  bool Agree() const;         // within 15 % of each other; else go by the drawn one
};
DrillingSpread SpreadByDrilling(const SizeModel& model, const SizeGeometry& geometry, const SizeFlow& flow,
                                double tolerance_mm, int draws = 4000, std::uint32_t seed = 1);

struct SizeCandidate {
  int elements = 0;
  SizePrediction one;         // one element of it, to be made
  SizeValue total_flow_kg_s;  // of the plate: batch and law shared, elements averaged
  double flow_chance = 0.0, angle_chance = 0.0, score = 0.0;
  calib::PlateLayout layout;
  std::optional<MeetsAt> neighbours;  // nothing: it is alone
  MeetsAt wall;
  DrillingSpread drilling;
  double element_to_element =
      0.0;  // relative sd of flow: drilling, and what elements on record have of their own
};

// Standard uncertainties of ln flow area and ln tangent that one more element, gauged and tested as usual,
// would bring to the laws: its test (0.5 % of flow, 2 % of the tangent) and its geometry (0.01 mm of each
// length).
struct TestUncertainty {
  double ln_flow_area = 0.0, ln_tangent = 0.0;
};
TestUncertainty AsTested(const SizeModel& model, const SizeGeometry& geometry, const SizeFlow& flow);

// The element whose test would narrow the prediction most.
struct NextElement {
  SizeGeometry geometry;
  bool is_the_candidate = false;
  // Half of the 95 % interval of one more element's flow and of the tangent of its angle, as shares: now,
  // after.
  double flow_now = 0.0, flow_after = 0.0, tangent_now = 0.0, tangent_after = 0.0;
  int considered = 0;
};
// Tested as those on record were (theirs is the liquid and the pressure), else as it is to be run.
NextElement NextToTest(const SizeModel& model, const SizePrediction& wanted,
                       const std::vector<SizeGeometry>& makeable);

struct LeftOutCombination {
  std::string reason;
  int count = 0;
};

struct Sizing {
  SizeTarget target;
  std::vector<SizeCandidate> candidates;  // best first
  int combinations = 0;                   // of drills
  std::vector<LeftOutCombination> left_out;
  int fullest_rings = 0, fullest_hexagonal = 0, most_that_fit = 0;  // at the least pitch
  std::optional<NextElement> next;
  double pressure_ratio = 0.0;     // drop / chamber pressure
  double cavitation_number = 0.0;  // calib/flow_numbers.h
  double saturation_margin = 0.0;  // chamber pressure / vapour pressure
};

// most: how many candidates to work out. Throws calib::InputError: more combinations than can be gone
// through.
Sizing SizePlate(const SizeModel& model, const SizeTarget& target, int most = 10);

// What has to be said beside the numbers, most urgent first; a sentence each. `warn`: it bears on a number
// shown.
struct SizeRemark {
  bool warn = false;
  std::string text;
};
std::vector<SizeRemark> RemarksOn(const SizeModel& model, const SizePrediction& prediction);
std::vector<SizeRemark> RemarksOn(const SizeModel& model, const Sizing& sizing);

// "exit 1.6 mm, 3 inlets of 0.7 mm, chamber 5 mm"
std::string InWords(const SizeGeometry& geometry);
// "no", "by 1.8 in inlet diameter", "combination", "theory alone"; "angle: theory" where only that is.
std::string ReachInWords(const SizePrediction& prediction);
// "2.5 %", "12 %" of a share.
std::string PercentText(double share);

// Labelled theory ratios from still air to a gas of that density, nothing else is said of hot conditions.
std::vector<std::string> TheoryRatios(double gas_density_kg_m3);

// Common to all: what none of this says.
std::vector<std::string> SizeCautions();

}  // namespace conebook::src
