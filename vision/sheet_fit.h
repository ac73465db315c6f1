// Mean sheet surface and cone asymptote of one pressure point. The visible boundary of a wavy sheet is the
// envelope of its crests; waves grow with distance, so the envelope opens wider than the sheet.
//
// Model of the half width, both sides together, in the axis plane:
//   h(z) = sqrt(r0^2 + z^2 tan^2 a) + c + E(z)
// the hyperboloid of a free swirling sheet (straight particle paths), a constant for blur and threshold, and
// the envelope of growing waves. h is the median over frames of the crossing of 0.30 of the row's own limb,
// not of the clip's: the rim grows fainter down a grey film and stronger down a clear one, and a fixed level
// then wanders through the blurred rim by tenths of a pixel, which tilts the line. Each frame's own swing of
// the angle is taken out first: pulsation is no wave. E: how far that crossing lies out of the mean surface,
// - by the limb's own shape through the blur, which changes down a clear film (limb_shape.h);
// - by waves that travel while the shutter is open. They widen the edge (EdgeWidth) by w beyond the limb's
//   width l, and the crossing moves out by k w. Where waves of many heights pass, k is 1.0; for a single sine
//   1 + 3 (w / l)^2, for its crests stand out of the width that they make; where only a part of a wave
//   passes, which shows in a swing from frame to frame, 1.9 and more (the limb of a thin shell convolved with
//   each; tests/vision/limb_shape_test.cpp). Taken: between, open to all;
// - by waves that the shutter freezes. They move the edge from frame to frame, and of several around the
//   sheet the one is seen that stands out farthest: by <m^2> s^2 / (2 r) for a swing s of waves m around, 0
//   to 0.4 of the swing for up to eight. That is the mean of (r + a cos(m f + p)) cos f at its largest.
// c takes up what of E does not grow. The value: fits down to three parts of the breakup, and the line
// between the stations, averaged with the weights that scatter, assumptions and model leave them. The upper
// rows hardly show waves but are few. r0: see hyperboloid.h.
#pragma once

#include <array>
#include <optional>
#include <span>
#include <vector>

#include "vision/boundary.h"
#include "vision/clip_model.h"
#include "vision/cone_fit.h"
#include "vision/hyperboloid.h"
#include "vision/record_spool.h"
#include "vision/statistics.h"

namespace conebook::vision {

struct SheetFitOptions {
  double near_diameters = 0.4;                            // first row used, exit diameters below the exit
  std::array<double, 3> ends_of_breakup{0.6, 0.75, 0.9};  // last rows used
  std::array<double, 3> model_deg{0.02, 0.02, 0.04};      // u of the model in each
  double line_model_deg = 0.04;                           // the line between the stations
  int least_rows = 20;
  double of_limb = 1.0, u_of_limb = 0.4;    // the limb's own shape
  double of_width = 1.0, u_of_width = 0.2;  // of waves, beyond the limb's
  double of_crests = 1.2, u_of_crests = 0.9;
  double of_part = 0.55, u_of_part = 0.3;
  double of_swing = 0.05, u_of_swing = 0.15;
  double of_swing_alone = 0.5, u_of_swing_alone = 0.5;    // where the width cannot be read
  double r0_of_exit = kFilmOfExit, u_r0_of_exit = 0.036;  // 0.85 to 0.975
  int blocks = 8;                                         // of frames, for the scatter
  int least_block = 5;
  int most_frames = 400;
};

struct SheetAngles {
  double line_deg = 0.0;  // straight line through the mean surface between the stations, in the axis plane
  double asymptote_deg = 0.0;  // a
  double u_line_deg = 0.0;     // of the model
  double u_asymptote_deg = 0.0;
  // From contiguous blocks of frames; empty where there are too few frames.
  std::optional<double> u_statistics_line_deg, u_statistics_asymptote_deg;
};

// far_mm: where the sheet is known to be whole (breakup length, or its lower bound).
std::optional<SheetAngles> FitSheet(const ClipModel& model, const RecordSpool& spool,
                                    std::span<const std::size_t> frames, const std::array<double, 2>& part,
                                    const CameraSetup& setup, const ConeAngles& angles, double near_mm,
                                    double far_mm, double sheet_end_mm, double exit_radius_mm,
                                    const SheetFitOptions& options);

}  // namespace conebook::vision
