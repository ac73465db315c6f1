// A plate matched from the stock: who may stand in it, who stands where, how good that is and how sure, who
// is at hand as a spare, and what the plate should flow.
#pragma once

#include <array>
#include <optional>
#include <string>
#include <vector>

#include <calib/conformity.h>
#include <calib/plate_match.h>
#include <calib/plate_match_search.h>
#include <calib/plate_match_ties.h>
#include <calib/quantity.h>

#include "src/match_plate.h"
#include "src/match_stock.h"

namespace conebook::src {

// One drawing limit and one element.
struct JudgedLimit {
  DrawingLimit limit;
  std::optional<calib::Quantity> reading;  // nothing: see missing
  std::optional<calib::ConformityResult> result;
  std::string missing;
};

// An element against the limits of the core or of the wall row.
struct StockVerdict {
  calib::Conformity decision = calib::Conformity::kAccept;
  double probability = 1.0;  // of conformity to all limits, taken as independent
  std::vector<JudgedLimit> judged;
  bool readable = true;  // has every reading that a limit asks for, and a flow area
  std::string reason;    // of what is not accepted, in words
};

struct StockLine {
  StockElement element;
  std::array<StockVerdict, 2> verdict;  // core, wall row; both the same without a wall row
  std::array<bool, 2> admitted{};
};

struct SiteResult {
  std::size_t stock = 0;                       // in MatchResult::stock
  std::vector<double> flow_deviation_percent;  // by circuit, from the group's target
  std::optional<double> angle_deviation_deg, ratio_deviation_percent;
  std::optional<double> lean_azimuth_deg;  // as the element stands, where it is clocked
};

struct TiedChoice {
  std::vector<std::size_t> out, in;  // stock of the match that it goes without, stock that it has instead
  double score = 0.0;
  calib::ScoreDifference behind;
};

struct PredictedFlow {
  double pressure_drop_bar = 0.0;
  std::vector<calib::Quantity> flow_area_mm2, flow_kg_s;  // by circuit
};

struct MatchFound {
  calib::MatchAnswer answer;
  calib::MatchMeasures measures;
  calib::ExpectedMeasures expected;
  calib::MatchTerms terms;
  std::vector<SiteResult> sites;               // by position
  std::optional<calib::MatchMeasures> sorted;  // by flow, in order around
  calib::ScoreDifference sorted_behind;
  int tied_choices = 0;              // of those that were come by
  std::vector<TiedChoice> ties;      // the closest of them
  std::vector<calib::Spare> spares;  // element: in MatchResult::stock
  std::vector<PredictedFlow> predicted;
  double expected_nonconforming = 0.0;  // sum over positions of 1 - probability
};

struct MatchResult {
  MatchPlate plate;
  std::string archive;
  double pressure_drop_bar = 0.0;
  std::vector<StockLine> stock;
  calib::MatchProblem problem;
  std::optional<MatchFound> found;
  std::vector<std::string> infeasible;  // why there is no match, and what would help; empty: found
  std::vector<std::string> notes;
  int Count(calib::Conformity decision, bool wall) const;
};

struct MatchQuestion {
  std::string archive;
  RunFilter filter;
  bool all = false;
  std::optional<double> pressure_drop_bar;  // in place of the plate's
  bool use_undecided = false;               // or the plate says so
  calib::MatchSearchOptions search;
  calib::TieOptions ties;
};

// Throws calib::InputError (no pressure drop, an element that is not on record), ArchiveError.
MatchResult MatchPlateFrom(const MatchPlate& plate, const MatchQuestion& question);

// The sum of flow areas: own parts in quadrature, what is shared added up before it is squared.
calib::Quantity SumOf(const std::vector<const StockReading*>& readings);

// "flow_area_mm2 of core": a limit's quantity in words.
std::string NameOf(const DrawingLimit& limit, const MatchPlate& plate);

}  // namespace conebook::src
