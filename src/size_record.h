// What is on record of swirl elements, one row an element, as sizing needs it: geometry, flow area and cone
// half angle, each with u split by what it is shared with. An element that cannot be used says why.
//
// Flow area: the runs' through-origin fits of flow against the root of pressure drop (points weighed with the
// drop), runs alike. Angle: the cone half angle alone, free of exit radius and stations; visible half angles
// are other definitions and are not mixed in.
#pragma once

#include <map>
#include <optional>
#include <string>
#include <vector>

#include "src/archive/element_readings.h"

namespace conebook::src {

// A length and the standard uncertainty of its logarithm.
struct SizeLength {
  double mm = 0.0;
  double u_ln = 0.0;
};

struct SizeGeometry {
  SizeLength exit, inlet, chamber;
  int inlets = 0;
  std::optional<SizeLength> exit_length;
  double InletAreaMm2() const;
};

// A mean over runs. Uncertainties are of the logarithm: u_ln of the element alone, shared by key ("meter
// 3fa2..", "day 2031-05-04", "rig ..", "model").
struct SizeReading {
  double value = 0.0;
  double u_ln = 0.0;
  std::map<std::string, double> shared;
  int points = 0, runs = 0;
};

struct SizeElement {
  std::string id, batch;
  SizeGeometry geometry;
  std::optional<SizeReading> flow_area_mm2, cone_half_angle_deg;
  double density_kg_m3 = 0.0, viscosity_pa_s = 0.0;  // of the liquid it was tested with, mean over its points
  double pressure_bar = 0.0, pressure_lo_bar = 0.0, pressure_hi_bar = 0.0;
  std::string liquid;
  bool imported = false;  // some of it was not measured by this program
};

struct UnusedElement {
  std::string id, reason;
};

struct SizeRecord {
  std::vector<SizeElement> elements;  // by id
  std::vector<UnusedElement> unused;
};

// runs: of any elements, by element. Elements of several mounts or days: all of it.
SizeRecord SizeRecordOf(const std::vector<RunReadings>& runs,
                        const std::map<std::string, ElementFacts>& facts);

}  // namespace conebook::src
