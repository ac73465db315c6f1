// The readings of elements on record, point by point: what comparing, matching and sizing start from. From
// the index alone, so that it is quick with ten thousand runs. Only runs that count; no JSON is opened.
#pragma once

#include <array>
#include <map>
#include <optional>
#include <string>
#include <vector>

#include "src/archive/query.h"
#include "src/run.h"

namespace conebook::src {

enum class ReadQuantity {
  kPressureBar,
  kFlowKgS,
  kFlowAreaMm2,
  kCd,
  kHalfAngleMeanDeg,
  kHalfAngleLeftDeg,
  kHalfAngleRightDeg,
  kLeanDeg,
  kSheetHalfAngleDeg,
  kConeHalfAngleDeg,
  kBreakupMm,
  kD32Um,
  kGrainIndex,
  kScatterDeg,    // of the half angle from frame to frame
  kPulsationDeg,  // amplitude of its swing, where there is one
};
inline constexpr std::size_t kReadQuantities = 15;

// "flow_area_mm2": as in the result file, with its unit.
const char* NameOf(ReadQuantity quantity);

// Standard uncertainties by what an error is shared with; the root of their squares is u. What two readings
// share cancels in their difference. Pressure, flow, grain, scatter and swing have all of theirs as the
// clip's.
struct Shares {
  double frames = 0.0, clip = 0.0, rig = 0.0, meter = 0.0, day = 0.0, model = 0.0;
  // Of this run alone: frames and clip.
  double Own() const;
};

struct ReadValue {
  double value = 0.0;
  double u = 0.0;
  Shares shares;
};

struct PointReadings {
  int n = 0;  // from 1, in the run's order
  Direction direction = Direction::kUnknown;
  std::optional<double> temperature_c, breakup_lower_bound_mm, d32_cutoff_um, pulsation_hz;
  std::string cd_area;                // "exit", "inlets", "user"; empty without Cd
  std::optional<double> cd_area_mm2;  // the reference area behind Cd
  std::array<std::optional<ReadValue>, kReadQuantities> values;

  const std::optional<ReadValue>& operator[](ReadQuantity quantity) const {
    return values[static_cast<std::size_t>(quantity)];
  }
};

struct RunReadings {
  std::string key, origin, element, batch, kind, date, verdict, log;
  std::string role;          // "check" or empty
  std::string liquid;        // a name, or "water (assumed)", "as the rig states it"
  std::string illumination;  // "backlit", "frontlit" or empty
  std::string lean_against;  // "rig_axis", "image_vertical" or empty
  // Two runs share the errors of camera and rig, or of meter and pressure sensor, where these are equal.
  std::string rig_shared, meter_shared;
  // Numbers the times that an element was put on the stand within a day, from 1: as the rig states it
  // ([element] mount); else runs count as one mounting unless turned, or unless the log shows another element
  // in between.
  int mount = 1;
  std::optional<double> rotation_deg;     // [view] rotation_deg
  std::optional<double> near_mm, far_mm;  // stations
  std::map<std::string, double>
      geometry;             // as the rig states it: "exit_diameter_mm", "u_exit_diameter_mm", ...
  std::string measured_by;  // of that geometry
  std::vector<PointReadings> points;
};

// By element, date and key. Throws ArchiveError.
std::vector<RunReadings> FindReadings(const std::string& path, const RunFilter& filter);

// Elements of which any run is a check run; batches of runs. By name. Throws ArchiveError.
std::vector<std::string> FindCheckElements(const std::string& path);
std::vector<std::string> FindBatches(const std::string& path);

// A reading of a run at a pressure drop: straight between the two points next to it, over the logarithm of
// pressure. The nearest point itself where it lies within `tolerance` (a share) of it. Never outside of the
// run's points. Points reached falling make a branch of their own: kFalling takes these, kRising the others,
// kUnknown the others and, where they do not reach, the falling ones.
// frames of the two points are independent, everything else is shared by them.
std::optional<ReadValue> ReadAt(const RunReadings& run, ReadQuantity quantity, double pressure_bar,
                                Direction branch = Direction::kUnknown, double tolerance = 0.02);

// What is known of an element beside its runs, each fact by its name in the element table.
struct ElementFacts {
  std::string element;
  std::map<std::string, double> numbers;      // "exit_diameter_mm", "u_exit_diameter_mm", "inlet_count", ...
  std::map<std::string, std::string> texts;   // "batch", "kind", "route", "material", "measured_by", ...
  std::vector<std::string> disputed;          // names of which two statements differ: left out above
  std::string state, plate, position, since;  // where it stands in the stock; empty: never moved
};

// Of all elements that have facts or a place in the stock. Throws ArchiveError.
std::map<std::string, ElementFacts> FindElementFacts(const std::string& path);

struct KnownLength {
  double value = 0.0;
  std::optional<double> u;
  bool from_rig = false;  // else a fact
};

// A number of the geometry: the fact on record, else what the run's rig states. facts may be null.
std::optional<KnownLength> GeometryOf(const std::string& name, const ElementFacts* facts,
                                      const RunReadings* run);

}  // namespace conebook::src
