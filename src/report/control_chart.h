// The control chart of a check element: its flow area, flow by flow, with the limits that hold for the last
// ones. Bars: u of each flow's own (k = 2), which is what two flows may differ by; meter and sensor, which
// all share, are left out.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include <calib/control_chart.h>

#include "src/check_element.h"
#include "src/report/chart.h"

namespace conebook::src {

// earlier: what the limits are from, oldest first; last: what is held against them. Nothing with fewer than
// two flows.
std::optional<Chart> ControlChart(const std::string& element, const std::vector<CheckFlow>& earlier,
                                  const std::vector<CheckFlow>& last,
                                  const std::optional<calib::ControlLimits>& limits);

}  // namespace conebook::src
