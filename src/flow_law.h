// One element's flow law from its pressure points: the through-origin fit of flow against the root of
// pressure drop, and the exponent of a free power fit as the check of the square-root law.
#pragma once

#include <string>
#include <vector>

#include <calib/flag.h>
#include <calib/quantity.h>

#include "src/run.h"

namespace conebook::src {

// A source's share of a point's flow area.
struct AreaShare {
  calib::Contribution part;  // u as a share of the area
  bool independent = false;  // from point to point
};

struct FlowLawPoint {
  double root = 0.0;  // sqrt(2 density drop), kg / (m^2 s)
  double flow_kg_s = 0.0;
  double drop_bar = 0.0;
  std::vector<AreaShare> shares;
};

Cd CdOf(const calib::Quantity& flow_area_mm2, const calib::Quantity& area_mm2, const std::string& kind);

// At least one point. Adds a flag when the exponent is off 0.5 by more than its uncertainty.
FlowLaw FitFlowLaw(const std::vector<FlowLawPoint>& points, const calib::Quantity& area_mm2,
                   const std::string& kind, std::vector<calib::Flag>& flags);

}  // namespace conebook::src
