// How the edge of a film's limb shows through a blurred picture. What a clear film turns aside or mirrors
// follows from the angle under which its surface is seen; the cosine of that angle falls to the limb of a
// round sheet of radius r as sqrt(2 d / r), at the depth d inwards of the limb. So, whatever the law of
// reflection, the limb starts steeply and falls as exp(-sqrt(d / D)), and D is a part of the radius. Near the
// exit that is less than the blur, and the limb is a line; farther down it is resolved, and more and more
// like a step. The crossing of a part of its own peak, which lies 1.55 blurs outside the film's edge at a
// line and 0.52 at a step, comes nearer to the edge down the sheet, and a line through it closes by a tenth
// of a degree. How fast the limb widens shows in how its peak grows. The limb of a dyed film has one shape at
// all radii (1 / sqrt(d), a chord through a thin shell), and its peak does not grow: it has none of this.
// Derived here: exp(-sqrt(d / D)) convolved with a Gaussian; no source.
#pragma once

#include <optional>
#include <span>
#include <vector>

namespace conebook::vision {

// The levels that say how wide an edge is, in parts of the boundary's.
inline constexpr double kOuterOfBoundary = 0.7, kInnerOfBoundary = 1.4;

// Standard deviation of the Gaussian whose flank falls to `outer_part` of its peak at `outer` and to
// `inner_part` (greater) at `inner`; outer - inner over the difference of sqrt(-2 ln part).
double EdgeWidth(double outer, double inner, double outer_part, double inner_part);

// In standard deviations of the blur.
struct LimbEdge {
  double out = 0.0;    // the crossing of kBoundaryPart of its peak, beyond the film's edge
  double width = 0.0;  // as EdgeWidth reads it from the two levels about that
  double peak = 0.0;   // in parts of the peak without blur
};

// `depth`: D, in standard deviations of the blur; > 0.
LimbEdge EdgeOfLimb(double depth);

// EdgeOfLimb at depths between 0.01 and 400, from a table; a line below, the deepest beyond.
class LimbTable {
 public:
  LimbTable();
  LimbEdge At(double depth) const;

 private:
  std::vector<LimbEdge> edges_;
};

// D at the largest of these radii, in blurs, by how the peak grows with the radius (both in any unit).
// Nothing: it does not grow, or fewer than 20 points.
std::optional<double> DepthOfLimb(std::span<const double> radius, std::span<const double> peak,
                                  const LimbTable& table);

}  // namespace conebook::vision
