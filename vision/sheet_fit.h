// Mean sheet surface and cone asymptote of one pressure point. The visible boundary of a wavy sheet is the
// envelope of its crests; waves grow with distance, so the envelope opens wider than the sheet.
//
// Model of the half width, both sides together, in the axis plane:
//   h(z) = sqrt(r0^2 + z^2 tan^2 a) + c + g(z)
// the hyperboloid of a free swirling sheet (straight particle paths), a constant for blur and threshold, and
// a growing wave term. Three variants of data and g, of different bias:
//   median boundary, g = B * (rms fluctuation of the boundary at z)
//   30 % quantile of the outward position, g = B exp(k z)
//   15 % quantile, g = B exp(k z)
// Each frame's own swing of the angle is taken out before quantiles are formed: pulsation is no wave.
// The value is the mean of the variants; their spread is the model's share in u.
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
  double near_diameters = 0.4;  // first row used, exit diameters below the exit
  double far_of_breakup = 0.9;  // last row used
  int least_rows = 40;
  double floor_deg = 0.08;
  int most_frames = 400;
};

struct SheetAngles {
  double line_deg = 0.0;  // straight line through the mean surface between the stations, in the axis plane
  double asymptote_deg = 0.0;  // a
  double u_line_deg = 0.0;     // of the model
  double u_asymptote_deg = 0.0;
  int variants = 0;
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
