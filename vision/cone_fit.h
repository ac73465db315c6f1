// Half angles of one pressure point: robust straight lines through the visible boundary between the stations,
// turned into angles in space, with a budget. Where the angle swings at a rate of its own, the frames are
// turned back by it before the median: over any whole number of swings the boundary is the same, over some
// frames the middle of a swing is where fewest lie.
//
// In u: statistics (with correlation in time), threshold (0.25 to 0.35 of the reference level),
// definition and compression (a floor, which holds what base line, haze and defocus leave: README.md), a
// background never seen without spray, tilt (its mean one-sided effect is taken out), axis, exit, camera
// distance, scale, lens, known cones, size and turn of the picture. Not in u: gas entrainment that bends the
// spray itself; that is part of what is measured.
#pragma once

#include <algorithm>
#include <array>
#include <optional>
#include <span>
#include <string>
#include <variant>
#include <vector>

#include <opencv2/core.hpp>

#include <calib/cone_projection.h>
#include <calib/quantity.h>

#include "vision/boundary.h"
#include "vision/clip_model.h"
#include "vision/record_spool.h"
#include "vision/view.h"

namespace conebook::vision {

struct ConeFitOptions {
  double floor_deg = 0.010;  // definition, at a half angle of 30 deg; measured against long-time truth on
  double floor_compressed_deg = 0.016;  // rendered sprays
  int least_rows = 10;                  // with an edge, per side, between the stations
  double most_spread_px = 3.0;          // of the boundary about its line, plus
  double most_spread_part = 0.025;  // this part of the half width at the far station: more is no cone's side
  double line_floor_px = 0.75;      // residuals below this never make a row odd
  // Where the distance is not stated, what perspective does goes with 1/distance, which lies anywhere between
  // nothing and 1/nearest: the distance of an effect of one standard deviation is sqrt(3) nearest. Nearest is
  // where the widest usual lens has this field, but no nearer than drops let a camera stand (both common
  // practice, no source).
  double widest_focal_part = 0.8;  // focal length over the picture's longer side
  double nearest_camera_mm = 100.0;
};

// u of the definition: the floor, for any half angle. What blur leaves open of an edge's place lies across
// the edge: d at the end of a side that reaches 1 down the axis turns it by d times the half angle's cosine.
double DefinitionDeg(const ConeFitOptions& options, bool compressed, double half_angle_deg);

// Per side and read row whether the edge was followed inside of the rim; an empty side: nowhere.
using RowsInside = std::array<std::vector<char>, 2>;
inline bool Inside(const RowsInside& inside, std::size_t side, int row) {
  return !inside[side].empty() && inside[side][static_cast<std::size_t>(row)] != 0;
}

enum class NoAngle { kTooFewRows, kNotStraight };

// Per given frame, what of the angles swings at a rate of its own; noughts where no rate stands out.
struct FrameSwing {
  std::vector<double> mean_deg, lean_deg;
  std::array<double, 2> Sides(std::size_t k) const {  // left, right
    return {mean_deg[k] - lean_deg[k], mean_deg[k] + lean_deg[k]};
  }
  bool Any() const {
    const auto swings = [](double deg) { return deg != 0.0; };
    return std::any_of(mean_deg.begin(), mean_deg.end(), swings) ||
           std::any_of(lean_deg.begin(), lean_deg.end(), swings);
  }
};

struct ConeAngles {
  calib::Quantity mean_deg, left_deg, right_deg, lean_deg, apparent_deg;
  std::array<std::vector<cv::Point2f>, 2> boundary_px;  // upright
  cv::Point2f line_px[2][2];                            // [side][near, far], upright
  std::vector<double> frame_left_deg,
      frame_right_deg;            // per given frame, as the image shows it; NaN never: see found
  std::vector<double> frame_t_s;  // empty: unknown, the frames are taken for even
  std::vector<char> frame_found;
  FrameSwing frame_swing;
  double slope[2] = {0.0, 0.0}, at_exit_mm[2] = {0.0, 0.0};
  RowsInside inside{};                           // of the rims, see inner_rim.h
  std::array<double, 2> inside_share{0.0, 0.0};  // of the rows between the stations
};

using ConeFitResult = std::variant<ConeAngles, NoAngle>;

// What the rig says about the camera, with what stands in for what it does not say.
struct CameraSetup {
  calib::ConeCamera camera;  // best values
  const View* view = nullptr;
  double image_width_px = 0.0;  // longer side
};
CameraSetup MakeCamera(const View& view, const ClipModel& model);

// Of a camera whose distance is not stated: where perspective does what it does by one standard deviation.
double UnstatedDistanceMm(const CameraSetup& setup, const ConeFitOptions& options);

// Upright pixel of a boundary point of a read row.
cv::Point2d UprightPx(const ClipModel& model, int row, int side, double out_px);

// time_s: of all frames of the clip, rising; none where they are not known.
ConeFitResult FitCone(const ClipModel& model, const RecordSpool& spool, std::span<const std::size_t> frames,
                      const std::array<double, 2>& part, const CameraSetup& setup, double near_mm,
                      double far_mm, const ConeFitOptions& options, std::span<const double> time_s = {});

}  // namespace conebook::vision
