// What a cone's straight sides say of where it begins. Straight paths off a ring of radius r0 make sides
// sqrt(r0^2 + t^2 z^2); the straight line through them between two stations, carried up to the exit, has
// there a half width b of its own, less than r0 (LineThroughHyperboloid in hyperboloid.h). An edge
// blurred in the picture lies outwards by 1.5 px, nine of ten between -0.2 and 3.2 (110 rendered clips whose
// exit is stated). So lines that are wider at the exit begin above it, narrower ones below.
#pragma once

#include <optional>

#include <calib/flag.h>

#include "vision/clip_model.h"
#include "vision/cone_fit.h"

namespace conebook::vision {

inline constexpr double kEdgeOutward_px = 1.5, kUEdgeOutward_px = 1.2;

// Moves a found exit to where the guessed sides come from: by their weights where both agree, all the way
// where they do not. False: the sides open too little to tell, and nothing is changed.
bool TakeExitFromSides(ClipModel& model);

// Of fitted sides that cannot come from the exit as it is taken. u_exit_mm: along the axis.
std::optional<calib::Flag> OriginDoubt(const ConeAngles& angles, double px_per_mm, double near_mm,
                                       double far_mm, double exit_radius_mm, double u_exit_mm);

}  // namespace conebook::vision
