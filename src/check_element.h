// A check element, flowed first and last of every test day: whether the stand still reads what it read. Its
// flow area of the day, first against last, and each against the control limits of what is on record.
#pragma once

#include <map>
#include <optional>
#include <string>
#include <vector>

#include <calib/control_chart.h>
#include <calib/flag.h>
#include <calib/quantity.h>

#include "src/run.h"

namespace conebook::src {

inline constexpr const char* kCheckRole = "check";

struct CheckFlow {
  std::string date;          // may be empty
  calib::Quantity area_mm2;  // with its budget, where that is on record
};

// What two flows do not share, of the flow area: meter, sensors and geometry are the same in both and cancel.
double OwnUMm2(const calib::Quantity& area_mm2);

struct ElementCheck {
  std::string element;
  std::vector<CheckFlow> earlier;              // on record before the day, oldest first
  std::optional<calib::ControlLimits> limits;  // of those; nothing: too few
  std::vector<calib::Quantity> today_mm2;      // in the order in which the day has them
  std::string date;                            // of the day; may be empty
  std::vector<calib::Flag> flags;              // none: the stand is as it was, as far as this element tells
};

// Of the flows' areas.
std::optional<calib::ControlLimits> LimitsOf(const std::vector<CheckFlow>& flows);

// runs: of the day, in order. earlier: by element.
std::vector<ElementCheck> CheckElements(const std::vector<const Run*>& runs,
                                        const std::map<std::string, std::vector<CheckFlow>>& earlier);

std::string InWords(const ElementCheck& check);

}  // namespace conebook::src
