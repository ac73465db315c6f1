// The long-time boundary, made precise by the sheet's geometry. Pictures are dear and waves scatter them; the
// outermost point of the sheet itself, without light, blur or drops, costs a thousandth of a picture and
// moves with the boundary. So: the median over some pictures, plus what the median of the geometry over
// thousands of independent instants has more than its median over the instants of those pictures (a control
// variate). What it estimates stays the median over a long time of the boundary as pictures show it.
#pragma once

#include <array>
#include <cmath>
#include <optional>
#include <vector>

#include "render/boundary_truth.h"
#include "render/camera.h"
#include "render/spray.h"

namespace conebook::render {

class SheetEdge {
 public:
  // At rings evenly spaced down to last_mm; `steady` gives the cone about which the edge moves.
  SheetEdge(const Spray& spray, const Camera& nozzle, double lean_deg, double exposure_s,
            const Instant& steady, double last_mm);
  void Add(const Instant& now);
  int Instants() const { return instants_; }
  // How far around from the sides of the cone the line of sight touches it, at most.
  double TurnRad() const { return turn_rad_; }
  // Per row along the nozzle's axis as it appears: median over instants [from, to) less that over instants
  // [less_from, less_to), px outwards.
  std::vector<double> Difference(Side side, int from, int to, int less_from, int less_to, int rows) const;

 private:
  struct Ring {
    double z_mm = 0.0, row_px = 0.0, radius_mm = 0.0;
    // At some angles around the place where the line of sight touches the smooth sheet.
    std::vector<float> edge_px, px_per_mm;  // at radius_mm; per mm more of it
    std::vector<float> cosine, sine;        // [mode][angle]
  };
  std::vector<float> Medians(Side side, int from, int to) const;

  const Spray& spray_;
  double exposure_s_ = 0.0;
  std::array<std::vector<Ring>, 2> rings_;
  std::array<std::vector<float>, 2> edge_px_;  // [instant][ring]
  std::array<std::vector<float>, 2> edges_;    // of one exposure's parts
  std::vector<float> eta_, wave_cosine_, wave_sine_, turn_cosine_, turn_sine_;
  double turn_rad_ = 0.0;
  int instants_ = 0, parts_ = 1;
};

struct LongTimeBoundary {
  BoundaryStack stack;  // the pictures of the edge's first instants
  SheetEdge edge;

  std::vector<std::optional<double>> Median(Side side, double level) const;
  // Standard error of the mean half angle of the line between two rows, from groups of pictures and of
  // instants; nothing where the line cannot be had.
  struct Error {
    double pictures_deg = 0.0, geometry_deg = 0.0;
    double SumDeg() const { return std::hypot(pictures_deg, geometry_deg); }
  };
  std::optional<Error> ErrorDeg(const std::array<double, 2>& levels, int near_row, int far_row) const;
};

}  // namespace conebook::render
