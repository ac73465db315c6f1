// Where the axes of round elements can stand on a round plate: in rings or on a hexagonal lattice, no two
// axes closer than the least pitch, none farther from the middle than the usable radius. Nothing here
// searches for the densest packing there is: it counts what these two families hold, exactly, and bounds what
// any could.
#pragma once

#include <optional>
#include <string>
#include <vector>

namespace conebook::calib {

struct PlateSpace {
  double usable_radius_mm =
      0.0;  // plate radius less the clearance to the wall, as far out as an axis may stand
  double least_pitch_mm = 0.0;  // between two axes
};

// What of the lattice stands in the middle of the plate.
enum class HexagonalMiddle { kElement, kGap, kBridge };  // a point, the middle of three, the middle of two

// Points of the hexagonal lattice of that pitch within the radius (edge included to 1e-9 of the pitch).
int HexagonalCount(double radius_mm, double pitch_mm, HexagonalMiddle middle);

// The numbers of elements at which a shell of the lattice is full, up to `most`: 1, 7, 13, 19, 31, 37, ..
// about an element.
std::vector<int> FullShells(HexagonalMiddle middle, int most);

struct Ring {
  double radius_mm = 0.0;  // 0: one element in the middle
  int count = 0;
  double turn_deg = 0.0;  // of the first element, counter-clockwise from +x
};

struct Place {
  double x_mm = 0.0, y_mm = 0.0;
  int ring = 0;  // from the outermost, 0; hexagonal: shells of equal radius
};

enum class LayoutKind { kRings, kHexagonal };
const char* NameOf(LayoutKind kind);  // "rings", "hexagonal"

struct PlateLayout {
  LayoutKind kind = LayoutKind::kRings;
  std::vector<Ring> rings;  // outermost first
  std::vector<Place> places;
  double least_pitch_mm = 0.0;  // as it came out; a single element: infinite
};

// Rings filled from outside in: the outermost as full as it can be, then each time the ring with the most
// elements that finds room inside it, turned to stand in its gaps and as far out as it goes.
PlateLayout FullestRings(const PlateSpace& space);
// The most that the lattice of the least pitch holds, over the three middles.
PlateLayout FullestHexagonal(const PlateSpace& space);

// Exactly n elements, spread over the whole usable radius so that the least distance between two axes is as
// large as this family makes it. Nothing: it does not fit. Hexagonal: full shells alone, else n is not
// balanced.
std::optional<PlateLayout> RingsOf(int n, const PlateSpace& space);
std::optional<PlateLayout> HexagonalOf(int n, const PlateSpace& space);

// No arrangement of points at least `pitch` apart in a disc holds more (Folkman & Graham 1969, Canad. Math.
// Bull. 12:745-752, from memory).
int MostThatFit(const PlateSpace& space);

// Least distance between two places; infinite for fewer than two.
double LeastPitch(const std::vector<Place>& places);

}  // namespace conebook::calib
