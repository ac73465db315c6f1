// Grain index: how coarse the spray is below the end of its sheet, for footage that cannot show single drops.
// It ranks elements filmed with one rig; it is no diameter.
//
// Drops scattered at random add up to a mean signal and to a fluctuation about it: over patches of area B the
// variance is that of a Poisson sum, so with s the signal that one drop adds, over the area it covers,
//   B var(patch mean) / mean = E[s^2] / E[s],
// whatever their number, blur or travel during the exposure: these spread a drop's signal, and a patch that
// holds most of it adds it up again. The square root grows with the drops' size. Divided by the exit's
// diameter:
//   grain = sqrt(B var / mean) / exit diameter          (unit-free)
// Signal: absorbance in back light (additive where shadows overlap), added light in front light. Patches lie
// along rays from the exit, a quarter of the breakup length long, between 1.2 and 1.7 of it, within the inner
// three quarters of the width; the variance is half that of the difference between neighbours across the
// spray: waves, pulsation and haze are alike in both. What the picture's noise alone gives is measured the
// same way beside the spray and taken off; and so is the mean level there. Derived here (shot-noise theorem).
// Clumps and ligaments count as coarse: they are.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "vision/clip_model.h"
#include "vision/grain_index.h"
#include "vision/view.h"

namespace conebook::vision {

struct GrainOptions {
  double from_of_breakup = 1.5, to_of_breakup = 2.3;
  double patch_of_breakup = 0.35, least_patch_of_breakup = 0.15;  // length along the spray
  double patch_width_px = 6.0;                                    // least, and
  double patch_width_of_exit = 0.6;
  double inner_part = 0.75;  // of the half width
  int most_frames = 96;
  int blocks = 8;  // of frames, for the scatter
};

struct GrainResult {
  std::optional<Grain> grain;
  std::string why;  // where there is none
};

// `frames`: rising numbers of decoded frames. breakup_px: along the axis from the exit, as a length or a
// lower bound. Throws calib::InputError.
GrainResult ReadGrain(const std::string& path, const View& view, const ClipModel& model,
                      const std::vector<std::int64_t>& frames, double breakup_px, int threads,
                      const GrainOptions& options);

}  // namespace conebook::vision
