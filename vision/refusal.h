// When footage cannot support a number: checks on the clip as a whole, after it was read. Each returns flags
// with what was seen and what to change; thresholds lie between the good and the bad cases that the
// feasibility study and the accuracy study met on rendered sprays.
#pragma once

#include <optional>
#include <vector>

#include <calib/flag.h>

#include "vision/clip_model.h"
#include "vision/record_spool.h"

namespace conebook::vision {

struct RefusalOptions {
  double least_half_angle_deg = 5.0;  // below: a jet, not a cone
  double doubt_half_angle_deg = 9.0;
  double most_clipped = 0.5;  // share of limb peaks at full scale
  double doubt_clipped = 0.1;
  // Back light: share of the background along the boundary at full scale. How much light was cut off there
  // cannot be told; a rim that still takes away little of what is left has lost most of itself.
  double doubt_background_clipped = 0.1;
  double most_background_clipped = 0.5;
  double least_level_if_clipped = 0.3;  // reference level, of full light
  double most_blur_px = 11.0;           // body edge: contrast / steepest gradient
  double doubt_blur_px = 7.0;
  // And the spray's own edges: a body that is shaded from side to side has wide ones in a sharp picture, too.
  double most_edge_px = 4.0;
  double doubt_edge_px = 3.5;
  double least_found = 0.15;  // share of rows and sides with an edge, median frame
  double least_frames_with_cone = 0.5;
};

// `frames`: of the steady spray.
std::vector<calib::Flag> CheckClip(const ClipModel& model, const RecordSpool& spool,
                                   const std::vector<std::size_t>& frames, const RefusalOptions& options);

// A line between the sides with background left and right of it, too thin to be told for a jet: one of
// several jets, or the lamp mirrored in a sheet that is not seen itself.
bool LineInside(const ClipModel& model, const RecordSpool& spool, const std::vector<std::size_t>& frames);

// Contrast over steepest gradient at the nozzle body's edges, px; nothing where no body is seen.
std::optional<double> BodyBlurPx(const ClipModel& model);

}  // namespace conebook::vision
