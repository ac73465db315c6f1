// The area that a discharge coefficient is stated against.
#pragma once

#include <string>
#include <vector>

#include <calib/flag.h>
#include <calib/quantity.h>

#include "src/rig.h"

namespace conebook::src {

struct ReferenceArea {
  calib::Quantity area_mm2;
  std::string kind;  // "exit", "inlets", "user"
  std::vector<calib::Flag> flags;
};

// The rig's, else the exit area (and says so). Throws calib::InputError when the kind asked for has no
// geometry.
ReferenceArea FindReferenceArea(const Rig& rig);

}  // namespace conebook::src
