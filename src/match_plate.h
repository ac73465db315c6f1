// The plate file of `conebook match`: where elements stand, what the drawing allows, what counts how much.
//
//   [plate]
//   id = "P2"
//   pressure_drop_bar = 6.0      # readings are taken there; or --at-bar
//   liquid = "water"             # of the prediction; temperature_c = 20.0
//   circuits = ["core", "ring"]  # as the elements' rigs name them; left out: elements with one circuit
//   rings = [ { count = 4, radius_mm = 14.0, first_angle_deg = 45.0 },
//             { count = 8, radius_mm = 30.0, wall = true } ]     # wall: of the wall row
//   positions = [ { name = "1", radius_mm = 14.0, angle_deg = 45.0, ring = 1, wall = false, mark_deg = 90.0 }
//   ]
//                                # instead of rings; ring left out: those at one radius are one
//   [limits]                     # of the drawing, by quantity
//   flow_area_mm2 = { target = 0.80, tolerance = 0.02 }          # two circuits: a list of two
//   cone_half_angle_deg = { target = 35.0, lower = 33.5, upper = 37.0 }
//   [wall_limits]                # of the wall row; what is left out is as in [limits]
//   [weights]                    # of the score, calib/plate_match.h; left out: 1
//   flow = 1.0
//   [match]
//   guard_u = 2.0                # guard band, in u
//   use_undecided = false
//   spares = 5
//
// Angles are counter-clockwise looking upstream at the plate's face, 0 at the plate's own mark. A ring's
// mark = "outward" or "inward", or mark_deg, says where the elements' datum marks face: clocking.
#pragma once

#include <array>
#include <optional>
#include <string>
#include <vector>

#include <calib/conformity.h>
#include <calib/plate_match.h>

namespace conebook::src {

struct MatchPosition {
  std::string name;
  int ring = 1;
  double radius_mm = 0.0, angle_deg = 0.0;
  bool wall = false;
  std::optional<double> mark_deg;
};

// target: nothing: the drawing states limits alone. No limits: a target alone.
struct DrawingLimit {
  std::string quantity;  // "flow_area_mm2"
  int circuit = -1;      // of flow_area_mm2 and cd, of a plate with two circuits
  std::optional<double> target;
  calib::Tolerance tolerance;
  bool HasLimits() const { return tolerance.lower || tolerance.upper; }
  // Half of the distance between the limits, or from the target to the only one.
  std::optional<double> HalfWidth() const;
};

// Quantities that may have limits.
const std::vector<std::string>& LimitQuantities();

struct MatchPlate {
  std::string path, sha256, id;
  std::optional<double> pressure_drop_bar;
  std::string liquid = "water";
  double temperature_c = 20.0;
  std::vector<std::string> circuits;  // names; empty: one
  std::vector<MatchPosition> positions;
  std::array<std::vector<DrawingLimit>, 2> limits;  // of the core and of the wall row
  calib::MatchWeights weights;
  double guard_u = 2.0;
  bool use_undecided = false;
  int spares = 5;

  bool HasWallRow() const;
  std::size_t Circuits() const { return circuits.empty() ? 1 : circuits.size(); }
  const DrawingLimit* LimitOf(bool wall, const std::string& quantity, int circuit = -1) const;
};

// Throws calib::InputError.
MatchPlate ReadMatchPlate(const std::string& path);

}  // namespace conebook::src
