// Reynolds, Weber and cavitation numbers of a pressure point, with u, from the rig and what was measured.
// Definitions: calib/flow_numbers.h. The flow is taken as going through one exit in equal parts for each of a
// plate's elements, and through one inlet in equal parts for each of the inlets.
#pragma once

#include <optional>
#include <vector>

#include <calib/flag.h>
#include <calib/quantity.h>

#include "src/rig.h"
#include "src/run.h"

namespace conebook::src {

// logged_temperature_c: from the log, instead of the rig's. What cannot be had stays empty.
FlowNumbers FlowNumbersOf(const Rig& rig, std::optional<double> logged_temperature_c,
                          const std::optional<calib::Quantity>& drop_bar,
                          const std::optional<calib::Quantity>& flow_kg_s,
                          const calib::Quantity& density_kg_m3);

// Whether the rig states the inlets of a swirl element.
bool InletsKnown(const Rig& rig);

// At which points a sharp-edged hole may cavitate into the still air of a stand, though not in an engine.
void FlagBackPressure(const Rig& rig, const std::vector<Point>& points, std::vector<calib::Flag>& flags);

}  // namespace conebook::src
