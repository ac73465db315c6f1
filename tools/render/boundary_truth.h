// The visible boundary as the definition has it, on noise-free pictures; and the silhouette of the smooth
// sheet.
//
// Visible boundary: per row, the median over frames of the outermost crossing, by liquid connected to the
// exit, of 0.30 of the clip's reference level; the level is, per side, the median over station rows and
// frames of the peak of the limb band. What is connected to the exit the renderer knows: the sheet's own
// outermost point of that row.
#pragma once

#include <array>
#include <optional>
#include <vector>

#include "render/camera.h"
#include "render/film.h"

namespace conebook::render {

inline constexpr double kBoundaryPart = 0.30;
enum Side { kRight = 0, kLeft = 1 };

class BoundaryStack {
 public:
  BoundaryStack(int rows, double blur_px);
  void Add(const FloatImage& signal, const SheetExtent& extent);
  // Peaks of the limb band in rows [from, to).
  void Peaks(Side side, int from, int to, std::vector<float>& peaks) const;
  // Median crossing of each row, px outwards of the axis; nothing where fewer than half of the frames have
  // one; of the frames [from, to).
  std::vector<std::optional<double>> Median(Side side, double level, int from, int to) const;
  std::vector<std::optional<double>> Median(Side side, double level) const {
    return Median(side, level, 0, frames_);
  }
  int Rows() const { return rows_; }
  int Frames() const { return frames_; }

 private:
  int rows_, band_, frames_ = 0;
  double margin_px_;
  std::array<std::vector<float>, 2> start_, profile_;  // [frame][row], [frame][row][band]
};

double MedianOf(std::vector<float> values);

// Line of x on z: least squares, robust against the odd row, which lies farther from it than `odd` and than
// three robust spreads, the curve of the hyperbola off a ring of radius r0 left out of that. Nothing with
// fewer than `least` points.
struct Line {
  double offset = 0.0, slope = 0.0;
};
inline constexpr double kOddPx = 0.75;
std::optional<Line> RobustLine(const std::vector<double>& z, const std::vector<double>& x, double r0,
                               double odd, int least = 8);

// The point of the circle (z, r) with slope dr/dz where the line of sight touches the surface of revolution
// about the camera's axis; nothing when it does not.
std::optional<Vec3> ContactPoint(const Camera& camera, double z_mm, double r_mm, double slope, Side side);

// Takes points of a boundary from the picture to space: lens, perspective and tilt of `camera` taken out by
// the smooth hyperboloid that fits (r0 given).
struct SpacePoint {
  double z_mm = 0.0, x_mm = 0.0;
};
std::vector<std::optional<SpacePoint>> ToSpace(const Camera& camera,
                                               const std::vector<std::optional<Pixel>>& points, double r0_mm,
                                               Side side, double near_mm, double far_mm);

}  // namespace conebook::render
