// Where a side was followed inside of its rim. Light that misses the rim leaves something else the outermost
// that shows: the lamp's mirror image on the sheet, the far wall. Further down, where the rim shows, the
// followed edge jumps out to it. A sheet's own edge does not jump.
//
// The stretch below the jump is the rim if it is a cone's side: it comes from the exit, and it opens as the
// other side does, more than what lies above it. Drops or mist beside the spray do neither. Rows above the
// jump that lie inside of where it comes from are not the rim's. Reading-frame pixels.
#pragma once

#include <span>
#include <vector>

namespace conebook::vision {

struct RimPoint {
  double dy_px = 0.0;   // below the exit
  double out_px = 0.0;  // outward from the nozzle axis
};

struct InnerRimOptions {
  double least_jump = 1.3;     // of the edge's distance from the axis
  double least_jump_px = 6.0;  // and this far
  int window = 5;              // rows whose middle speaks for where the edge is
  int gap = 2;                 // rows of the jump itself, either way
  int least_outer = 20;        // rows of the rim below it
  // Distance from the exit's rim, in exit radii, at which a line through the outer stretch may pass the exit.
  double most_off_exit = 1.5;
  // Rows so far inside of the rim, parts of its distance from the axis and no less than this, are not on it.
  double least_inside = 0.1, least_inside_px = 3.0;
};

// Per point of `side` whether it lies inside of its rim; empty: nothing says that one does. Both sides: rows
// ascending.
std::vector<char> InsideOfRim(std::span<const RimPoint> side, std::span<const RimPoint> other,
                              double exit_radius_px, const InnerRimOptions& options);

}  // namespace conebook::vision
