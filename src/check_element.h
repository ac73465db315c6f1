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

struct ElementCheck {
  std::string element;
  std::vector<double> earlier_mm2;             // flow areas on record before the day, oldest first
  std::optional<calib::ControlLimits> limits;  // of those; nothing: too few
  std::vector<calib::Quantity> today_mm2;      // in the order in which the day has them
  std::vector<calib::Flag> flags;              // none: the stand is as it was, as far as this element tells
};

// runs: of the day, in order. earlier_mm2: by element.
std::vector<ElementCheck> CheckElements(const std::vector<const Run*>& runs,
                                        const std::map<std::string, std::vector<double>>& earlier_mm2);

std::string InWords(const ElementCheck& check);

}  // namespace conebook::src
