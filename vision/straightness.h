// Do the sides of the spray run as a cone's do? The line between the stations averages over whatever was
// followed; what bends to and fro (water on the window, a schlieren of warm air, a second thing that was
// followed further down) leaves it a slope that means little.
//
// Per side, rows between the stations: residuals from the best curve that a spray can have, a straight line
// with the hyperbola's own curvature (r^2 = r0^2 + (z tan a)^2, r0 from the exit) and a smooth bend for
// growing waves and entrained gas (a parabola). Rows far off the robust line are not the line's and count
// only by their share (a stretch of rim that the light does not reach). The others are averaged over blocks
// of rows and judged twice: against their own standard error, and by how far a wave of that size along the
// side can turn a least-squares line. A sine of amplitude A, n periods over the length L, turns it by
// 6 A / (pi n L) at most: integral of (z - L/2) A sin(2 pi n z / L) over L^3 / 12. The parabola is judged by
// the change of direction from the near to the far station. mm in the axis plane, angles in degrees.
//
// The standard error is that of rows; where the side is given from parts of the frames, too, the larger one
// that the blocks show from part to part: waves of the spray itself go along the side and are another in
// each, what stands in the way stays. The same with the bend, which large waves make of few frames.
#pragma once

#include <optional>
#include <span>
#include <vector>

namespace conebook::vision {

struct StraightnessOptions {
  int blocks = 10;
  int least_rows_a_block = 3;
  double least_significance = 4.0;  // of the blocks' means, in their standard errors
  double most_turn_in_u = 2.5;      // rendered sprays stay below 1.9
  double least_turn_deg = 0.25;     // less is what waves of the spray leave, however small u is
  double floor_mm = 0.0;            // rows nearer the line than this are the line's
  double most_off = 1.0 / 3.0;      // share of rows off the line
  // Change of direction along the side, beyond the hyperbola's. Rendered sprays stay within -3.3 and 2.2:
  // growing waves open the side outwards, entrained gas draws it in (how far: from memory, a few degrees).
  double most_opening_deg = 4.0, most_closing_deg = 4.0;
  double most_bend_in_u = 2.0;  // and beyond them by this: few frames' waves bend a side, too
};

struct SidePoint {
  double z_mm = 0.0, out_mm = 0.0;  // outward from the nozzle axis
};

struct SideShape {
  double turn_deg = 0.0;      // how far the side's waviness can turn its line
  double significance = 0.0;  // of that waviness, in its standard errors
  double bend_deg = 0.0;      // positive: opens more and more towards the far station
  double u_bend_deg = 0.0;    // by how it differs from part to part; 0 without parts
  double off = 0.0;           // share of rows that lie off the line
};

// `points`: of one side, between the stations, z ascending; `parts`: the same from parts of the frames that
// follow each other, or none. Nothing: too few rows to judge.
std::optional<SideShape> ShapeOfSide(std::span<const SidePoint> points,
                                     std::span<const std::vector<SidePoint>> parts, double exit_radius_mm,
                                     const StraightnessOptions& options);

}  // namespace conebook::vision
