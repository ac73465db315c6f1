// Mean sheet surface and cone asymptote of one pressure point. The visible boundary of a wavy sheet is the
// envelope of its crests; waves grow with distance, so the envelope opens wider than the sheet.
//
// Model of the half width, both sides together, in the axis plane:
//   h(z) = sqrt(r0^2 + z^2 tan^2 a) + c + B * (rms fluctuation of the boundary at z)
// the hyperboloid of a free swirling sheet (straight particle paths), a constant for blur and threshold, and
// the envelope of growing waves; B is not negative. h is the median over frames of the crossing of 0.30 of
// the row's own limb, not of the clip's: the rim grows fainter down a grey film and stronger down a clear
// one, and a fixed level then wanders through the blurred rim by tenths of a pixel, which tilts the line.
// Each frame's own swing of the angle is taken out first: pulsation is no wave.
// The value: waves of an instability grow by e-folds, so the upper half of the sheet hardly shows them; the
// model without B is fitted to that half and evaluated at the stations. All of the sheet with B takes the
// waves out in another way; its model is worse, but its rows are more. The two are averaged, weighted by what
// scatter, r0 and model leave open in each: the first alone, nearly, where there are rows enough; the second
// where the calm half is a few dozen noisy rows. (On rendered sprays over varied
// physics the upper half reads within 0.1 deg for any end between 0.40 and 0.55 of the breakup, the whole
// sheet within 0.17, and quantiles with an exponential envelope within 0.4.)
// r0 is the middle of the film at the exit: with an air core of 0.7 to 0.95 of the exit's radius (textbook
// simplex elements, from memory) 0.85 to 0.975 of it.
#pragma once

#include <array>
#include <optional>
#include <span>
#include <vector>

#include "vision/boundary.h"
#include "vision/clip_model.h"
#include "vision/cone_fit.h"
#include "vision/record_spool.h"

namespace conebook::vision {

struct SheetFitOptions {
  double near_diameters = 0.4;    // first row used, exit diameters below the exit
  double far_of_breakup = 0.5;    // last row used
  double whole_of_breakup = 0.9;  // last row of the fit with waves
  int least_rows = 20;
  double calm_model_deg = 0.05;     // u of the models: the calm half
  double wavy_model_deg = 0.17;     // the whole sheet
  double visible_model_deg = 0.08;  // the visible boundary less its envelope, beside the envelope's own u
  // Envelope at a row in rms fluctuations: none for waves that run around the whole cone at once, two for
  // the crests of many; the middle, and the u of a rectangle of that width.
  double envelope = 1.0, u_envelope = 0.58;
  double r0_of_exit = 0.92;  // middle of the film at the exit, parts of the exit's radius
  double u_r0_of_exit = 0.05;
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

// Least squares of h on the model for given r0 and growth term shape; exposed for tests with a known
// hyperboloid.
struct HyperboloidFit {
  double tan_a = 0.0, c = 0.0, b = 0.0, residual = 0.0;
};
std::optional<HyperboloidFit> FitHyperboloid(std::span<const double> z, std::span<const double> h,
                                             std::span<const double> growth, double r0);

}  // namespace conebook::vision
