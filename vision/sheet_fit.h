// Mean sheet surface and cone asymptote of one pressure point. The visible boundary of a wavy sheet is the
// envelope of its crests; waves grow with distance, so the envelope opens wider than the sheet.
//
// Model of the half width, both sides together, in the axis plane:
//   h(z) = sqrt(r0^2 + z^2 tan^2 a) + c + E(z)
// the hyperboloid of a free swirling sheet (straight particle paths), a constant for blur and threshold, and
// the envelope of growing waves. h is the median over frames of the crossing of 0.30 of the row's own limb,
// not of the clip's: the rim grows fainter down a grey film and stronger down a clear one, and a fixed level
// then wanders through the blurred rim by tenths of a pixel, which tilts the line. Each frame's own swing of
// the angle is taken out first: pulsation is no wave. The envelope. Waves that travel while the shutter is
// open are spread into a wider edge: the crossing then lies outside the mean surface, and further out the
// wider the edge is. With s the width of the edge (standard deviation of the Gaussian whose flank has the
// row's distance between two levels, EdgeWidth) the crossing of 0.30 of the peak lies out by 1.56 s where the
// rim is a thin line, 0.97 s where it is the limb of a thin shell (1 / sqrt(depth)), 0.6 to 0.9 s for a film
// about as thick as the edge is wide, 0.39 s for a step (convolved with a Gaussian; the test does it again).
// Waves that the shutter freezes move the edge from frame to frame; their median hardly moves. So E =
// of_width * s + of_swing * (rms of the edge in time): c takes up what of it does not grow. The value: fits
// down to three parts of the breakup, and the visible angle less the growth of E, averaged with the weights
// that scatter, assumptions and model leave them. The upper rows hardly show waves but are few. r0: see
// hyperboloid.h.
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
  std::array<double, 3> model_deg{0.03, 0.03, 0.055};     // u of the model in each
  double visible_model_deg = 0.055;                       // the visible boundary less its envelope
  int least_rows = 20;
  double of_width = 1.0, u_of_width = 0.34;  // the rectangle between a step and a thin line
  double of_swing = 0.15, u_of_swing = 0.2;
  double of_swing_alone = 0.5, u_of_swing_alone = 0.5;  // where the width cannot be read
  double r0_of_exit = kFilmOfExit, u_r0_of_exit = 0.05;
  int blocks = 8;  // of frames, for the scatter
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

// Standard deviation of the Gaussian whose flank falls to `outer_part` of its peak at `outer` and to
// `inner_part` (greater) at `inner`; outer - inner over the difference of sqrt(-2 ln part).
double EdgeWidth(double outer, double inner, double outer_part, double inner_part);

}  // namespace conebook::vision
