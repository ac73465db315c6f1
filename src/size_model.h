// Two laws over the elements on record, of discharge coefficient (on the exit area) and of the tangent of the
// cone half angle, on dimensionless groups: ln K (inlet area / (exit * chamber diameter)), ln chamber / exit
// diameter, ln exit length / exit diameter, ln Reynolds (exit diameter, ideal speed). Each is theory times a
// power law whose prior is 1: with no element on record theory is left, with its stated spread.
//
// Theory: Cd, geometric mean of the inviscid one and of Rizk & Lefebvre (1985); tangent, geometric mean of
// those of the inviscid half angle by mean swirl and of Rizk & Lefebvre's. Sources: calib/swirl_theory.h. How
// far theory is trusted (SizePrior) is common practice, no source: correlations of Cd differ by some tens of
// per cent, angles by 10 degrees.
//
// An exit length that is not on record is taken as one exit diameter, to a factor of 1.65 (k = 1).
#pragma once

#include <optional>
#include <string>
#include <vector>

#include <calib/quantity.h>
#include <calib/size_law.h>
#include <calib/swirl_theory.h>

#include "src/size_record.h"

namespace conebook::src {

inline constexpr std::size_t kSizeGroups = 4;
// "K", "chamber / exit diameter", ..
const char* NameOfGroup(std::size_t group);

struct SizePrior {
  // Where the constants hold: K, chamber / exit, length / exit, Reynolds.
  std::vector<double> centre{0.3, 3.5, 1.0, 4e4};
  double cd_constant_sd = 0.25, tangent_constant_sd = 0.20;  // of the logarithm
  std::vector<double> slope_sd{0.20, 0.20, 0.10, 0.05};      // of both: what a doubling moves, over ln 2
  double cd_element_sd = 0.02, tangent_element_sd = 0.03;    // scales of element and batch spread
};

// How an element is run: pressure drop and liquid.
struct SizeFlow {
  double pressure_drop_bar = 0.0;
  double density_kg_m3 = 0.0, viscosity_pa_s = 0.0;
  double u_ln_density = 0.0;
  std::string liquid;  // a name, for words alone
};

// What one quantity of the record looks like against its law.
struct SizeRow {
  std::string id, batch;
  bool imported = false;
  double measured = 0.0, u = 0.0;  // Cd, or degrees; u with all that is shared
  double fitted = 0.0;             // the law at its geometry
  double left_out = 0.0;           // foretold without it
  calib::Interval left_out95;
  bool held = false;  // the measured value lies within left_out95
};

struct SizeLaw {
  calib::LawFit fit;
  std::vector<SizeRow> rows;
  std::vector<std::size_t> elements;         // of the record, one a row
  std::vector<std::vector<double>> corners;  // groups of each, at either end of its pressures
  double left_out_rms = 0.0;                 // of ln(measured / foretold)
  int left_out_held = 0;
};

struct SizeModel {
  SizePrior prior;
  SizeRecord record;
  SizeLaw cd, tangent;
};

SizeModel FitSizeModel(SizeRecord record, const SizePrior& prior = {});

std::vector<double> SizeGroups(const SizeGeometry& geometry, const SizeFlow& flow);
calib::SwirlGeometry AsSwirl(const SizeGeometry& geometry);
double TheoryCd(const SizeGeometry& geometry);
double TheoryHalfAngleDeg(const SizeGeometry& geometry, const SizeFlow& flow);

// A value that is certain to be above zero, with what its interval rests on: shares of the value (k = 1).
struct SizeValue {
  double value = 0.0, u = 0.0;
  calib::Interval interval95;
  double law_share = 0.0, batch_share = 0.0, element_share = 0.0, dimension_share = 0.0;
};

// In one direction out of what is on record.
struct Extrapolation {
  std::string what;     // "inlet diameter"
  double factor = 1.0;  // above 1: beyond the nearest end of the range
  double value = 0.0, lowest = 0.0, highest = 0.0;
  std::string words;  // "extrapolates by 1.8 in inlet diameter: 1.20 mm, on record 0.50 to 0.67 mm"
};

// How far a geometry lies from what a law rests on.
struct Reach {
  int elements = 0;                           // that the law rests on; 0: theory alone
  std::vector<Extrapolation> extrapolations;  // largest factor first
  // Share by which the groups lie outside of the hull of those on record, at the nearest; 0 inside.
  double outside_hull = 0.0;
  double leverage_ratio = 0.0;  // see calib/size_law.h
  bool Outside() const;         // any of these, or nothing on record
  double WorstFactor() const;   // largest factor; 1 inside; infinite without a record
};

struct SizePrediction {
  SizeGeometry geometry;
  SizeFlow flow;
  SizeValue cd, flow_area_mm2, flow_kg_s;  // of one element
  SizeValue cone_half_angle_deg;
  double theory_cd = 0.0, theory_half_angle_deg = 0.0;
  std::vector<double> groups;
  Reach flow_reach, angle_reach;
  bool Outside() const { return flow_reach.Outside() || angle_reach.Outside(); }
};

struct PredictOptions {
  int elements = 1;  // the mean of so many of one batch
  // Standard uncertainties of the logarithm of exit, inlet, chamber diameter and exit length, as made; empty:
  // as drawn.
  std::vector<double> as_made_u_ln;
};

SizePrediction PredictSize(const SizeModel& model, const SizeGeometry& geometry, const SizeFlow& flow,
                           const PredictOptions& options = {});

// ln of flow area and ln of the tangent moved by the logarithm of exit, inlet, chamber diameter and exit
// length: theory and law.
struct SizeSlopes {
  double ln_flow_area = 0.0, ln_tangent = 0.0;
};
std::vector<SizeSlopes> SlopesAt(const SizeModel& model, const SizeGeometry& geometry, const SizeFlow& flow);

// Quick middle values, for searching: ln flow area and ln tangent with law and batch spread, and element
// spread.
struct SizeMoments {
  double ln_flow_area = 0.0, common_area_sd = 0.0, element_area_sd = 0.0;
  double ln_tangent = 0.0, common_tangent_sd = 0.0, element_tangent_sd = 0.0;
};
SizeMoments MomentsOf(const SizeModel& model, const SizeGeometry& geometry, const SizeFlow& flow);

}  // namespace conebook::src
