// Whether a measured value conforms to a tolerance interval, with its u taken into account: JCGM 106:2012,
// "The role of measurement uncertainty in conformity assessment".
//
// The true value is taken as spread about the reading as the reading's own u and dof say (normal, or
// Student's t scaled by u where dof are few), nothing else being known of it beforehand (JCGM 106, 7.2). The
// probability of conformity is what of that lies within the limits (7.3, 7.4). The limits are moved by a
// guard band w (8.3): accepted where the reading lies inside both by w or more, rejected where it lies
// outside one by w or more, undecided between. w = guard_u times u, and as many times more as Student's t
// needs for the same probability: with 2, an accepted reading at the edge conforms to 97.7 % at that limit.
#pragma once

#include <optional>
#include <string>

#include "calib/quantity.h"

namespace conebook::calib {

// Either limit may be missing; both is no tolerance at all.
struct Tolerance {
  std::optional<double> lower, upper;
};

enum class Conformity { kAccept, kUndecided, kReject };
const char* NameOf(Conformity conformity);  // "accept", "undecided", "reject"

struct ConformityResult {
  Conformity decision = Conformity::kUndecided;
  double probability = 0.0;  // that the true value lies within the limits
  double guard_band = 0.0;   // w, in the unit of the quantity
  // Largest standard uncertainty with which this reading would be accepted; 0: it lies outside the limits.
  double u_to_accept = 0.0;
  // The limits lie closer together than two guard bands: with this u no reading could be accepted.
  bool limits_too_close = false;
};

// Throws std::logic_error where there is no limit, the lower is not below the upper, or u is negative.
ConformityResult Assess(const Quantity& reading, const Tolerance& tolerance, double guard_u = 2.0);

// "0.780 to 0.820", "0.780 or more", "0.5 or less".
std::string InWords(const Tolerance& tolerance);

}  // namespace conebook::calib
