// Columns of the index that serve comparing, matching and sizing: what a run was set up with (table setup),
// and of each point what the u of its quantities is shared with (table reading).
#pragma once

#include <array>
#include <string>
#include <vector>

#include <calib/quantity.h>

namespace conebook::src {

// A quantity with a budget in the result file. Columns: cd_frames, cd_clip, cd_rig, cd_meter, cd_day,
// cd_model, each the root of the sum of squares of what is shared so; without a budget all of u is the
// clip's.
struct SharedQuantity {
  const char* name;
  const char* pointer;  // JSON pointer inside a point of a result file
};
const std::vector<SharedQuantity>& SharedQuantities();

inline constexpr std::array<calib::Shared, 6> kAllShared{calib::Shared::kFrames, calib::Shared::kClip,
                                                         calib::Shared::kRig,    calib::Shared::kMeter,
                                                         calib::Shared::kDay,    calib::Shared::kModel};

// What the rig may state of the element, numbers alone; lengths have "u_" beside them.
const std::vector<std::string>& SetupNumbers();

std::string SetupColumns();
std::string ReadingColumns();

}  // namespace conebook::src
