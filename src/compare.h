// Two groups of elements on record held against each other at one pressure drop: flow, angles, breakup,
// drops, grain, steadiness. From the archive's index alone; the mathematics is calib/group_difference.h.
#pragma once

#include <array>
#include <optional>
#include <string>
#include <vector>

#include <calib/equivalence.h>
#include <calib/group_difference.h>

#include "src/archive/element_readings.h"

namespace conebook::src {

struct CompareGroup {
  std::string name;
  RunFilter filter;
};

struct CompareMargin {
  ReadQuantity quantity = ReadQuantity::kFlowAreaMm2;
  double value = 0.0;    // above zero, in the quantity's unit
  bool percent = false;  // of the first group's mean instead
};

struct CompareOptions {
  std::array<CompareGroup, 2> groups;
  std::optional<double> at_bar;        // nothing: one that most elements of both groups were read about
  std::vector<CompareMargin> margins;  // for equivalence
};

// "R1": a batch or, where there is none of that name, an element. "name: batch=R1, element=A1,
// from=2031-05-01": runs that fit all; the same word again means either. Words: batch, element, from, to,
// verdict, origin, flag. Throws calib::InputError, naming what is on record and near.
CompareGroup ReadCompareGroup(const std::string& archive, const std::string& text);

// "flow_area_mm2=0.004" or "flow_area_mm2=1%". Throws calib::InputError.
CompareMargin ReadCompareMargin(const std::string& text);

struct ComparedElement {
  std::string element;
  int group = 0;
  double value = 0.0, u = 0.0;  // days taken out; u of its own readings
  int readings = 0, days = 0;
  bool outlying = false;
  std::optional<double> p_outlying;
};

// What a quantity goes with, beside the group.
struct Covariate {
  std::string name;  // "temperature_c", "falling", "inlet_edge_radius_mm"
  std::string unit;  // of the slope
  double slope = 0.0, u = 0.0, dof = 0.0;
  bool taken_out = false;  // the difference is at equal covariate
  // Of a covariate that is not taken out: the difference that would be left if it were.
  std::optional<calib::Difference> rest;
};

struct ComparedQuantity {
  ReadQuantity quantity = ReadQuantity::kFlowAreaMm2;
  std::string refused;           // why it was not compared; else empty
  calib::Difference difference;  // second group less first
  calib::Interval interval95;
  double u_scatter = 0.0, u_shared = 0.0, p = 1.0;
  std::optional<double> p_holm;  // nothing: days are not told, so it is no test of the groups
  std::string verdict;           // "different", "not told apart", "cannot tell route from day"
  double findable = 0.0;         // true difference that such a study finds four times of five
  std::array<double, 2> mean{};
  std::array<int, 2> elements{}, readings{};
  int days = 0, check_elements = 0;
  bool days_told = true, one_spread = false;
  std::vector<double> spread_of_elements;
  std::optional<double> spread_of_mounts, spread_of_readings;
  std::vector<ComparedElement> members;  // by group, then name
  std::vector<Covariate> covariates;
  std::optional<double> margin;
  std::optional<calib::EquivalenceTest> equivalence;
  std::optional<int> elements_more;  // for "not yet"; nothing: no number would do as things stand
  std::vector<std::string> notes;
};

// The difference in flow area in per cent of the first group: as measured, what the measured bores make of
// it, and what is left for the discharge coefficient. All three by the same model.
struct FlowSplit {
  std::string refused;   // why not; else empty
  std::string rests_on;  // "exit diameters", or "exit, inlets and chamber, by inviscid theory"
  struct Part {
    double percent = 0.0;
    calib::Interval interval95;
  };
  Part whole, bores, cd;
  std::array<int, 2> elements{};
};

struct SwappedLabel {
  std::string element, date, fits;
  bool exchanged = false;
};

struct ComparedGroup {
  std::string name;
  std::vector<std::string> elements, batches, days;
  int runs = 0, runs_without_pressure = 0;  // that have no reading at the pressure drop
};

struct Comparison {
  std::array<ComparedGroup, 2> groups;
  double at_bar = 0.0;
  bool at_bar_found = false;
  std::vector<std::string> check_elements;
  std::vector<ComparedQuantity> quantities;  // all that either group has anything of, in one order
  FlowSplit flow_split;
  std::vector<SwappedLabel> maybe_swapped;
  std::vector<std::string> cautions;
};

// Throws calib::InputError: a group without runs, nothing read at a pressure drop in common. ArchiveError.
Comparison Compare(const std::string& archive, const CompareOptions& options);

// "flow area", "mm2".
const char* TitleOf(ReadQuantity quantity);
const char* UnitOf(ReadQuantity quantity);

std::string CompareJson(const Comparison& comparison);
std::string CompareInWords(const Comparison& comparison);

// Pieces of it, for the page as well. The row: title, unit, both means, difference, interval, dof, p,
// verdict.
std::vector<std::string> RowOf(const ComparedQuantity& quantity);
std::vector<std::string> RemarksOf(const ComparedQuantity& quantity);
std::string FlowSplitInWords(const FlowSplit& split);
std::string SwappedInWords(const SwappedLabel& label);

}  // namespace conebook::src
