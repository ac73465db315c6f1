// A match as JSON, schema "conebook.match/1". Numbers without a value are null; quantities are as in a result
// file (value, u, dof, lo95, hi95, budget). Keys are only added under /1:
//   schema, verdict "matched" | "infeasible", plate, plate_file {path, sha256}, archive, pressure_drop_bar,
//   settings {guard_u, use_undecided, weights, scales, targets, seed}, notes [text], infeasible [text],
//   stock [{element, batch, state, decision, probability, wall_decision?, reason, flow_area_mm2 [quantity],
//           cone_half_angle_deg, circuit_ratio, lean {size_deg, direction_deg, u_direction_deg}, records,
//           limits [{quantity, circuit, lower, upper, reading, decision, probability, guard_band}]}],
//   score {value, bound, gap_percent, exact, expected, u, measures, expected_measures, measures_used},
//   positions [{position, ring, radius_mm, angle_deg, wall, mark_deg, element, flow_deviation_percent, ...}],
//   elements [names, by position: what [plate] match of a rig reads],
//   sorted_by_flow {score, measures, difference, u, better}, ties {choices, listed [..]}, spares [..],
//   expected_nonconforming, predicted [{pressure_drop_bar, flow_area_mm2 [..], flow_kg_s [..]}]
// Beside position: score is of the measured values, expected of the true ones as far as their u tells.
#pragma once

#include <string>
#include <vector>

#include "src/match.h"
#include "src/rig.h"

namespace conebook::src {

// The file of a match that a plate's rig names; kept and hashed as a calibration file is.
inline constexpr CalibrationKey kMatchKey{"plate", "match", "plate_match.json"};

std::string MatchJson(const MatchResult& result);

// The elements that a match put into its plate, from the file that --json wrote. Throws calib::InputError:
// no such file, not a match, or one without a solution.
std::vector<std::string> ElementsOfMatch(const std::string& path);

}  // namespace conebook::src
