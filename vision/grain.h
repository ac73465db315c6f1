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
// Signal: absorbance, which adds up where shadows overlap. Front light is refused: how bright a drop shines
// there hangs on the lamp and on the drop's facets, and rendered pairs came out in the wrong order in a third
// of cases. Patches lie along rays from the exit, within the inner three quarters of the width, from 1.7
// breakup lengths to 2.6 or the picture's end; where that is not in view, or cannot be read, from 1.5. The
// variance is half that of the difference between patches two apart across the spray: waves, pulsation and
// haze are alike in both. Shreds of the sheet that still hang on are few and far larger than drops: what lies
// more than four spreads off is left out. A streak of length b that a patch of length L cuts counts for 1 - b
// / (3 L), and for L / b - (L / b)^2 / 3 where it is the longer; what half patches show of what whole ones do
// tells b / L, along the spray and across, and so the value for patches without end; beyond b = 2 L it is
// refused. What the picture's noise alone gives is measured the same way beside the spray and taken off; and
// so is the mean level there. Derived here (shot-noise theorem).
//
// In u: the scatter between blocks of frames, level and noise, and what the index hangs on besides D32. For
// log-normal sizes of spread s, sqrt(E[d^4] / E[d^2]) = D32 exp(s^2 / 2): 0.04 for s from 0.3 to 0.6.
// From 1.5 breakup lengths, shreds: 0.10 (rendered sprays read there and from 1.7: apart by 0.12 rms, half
// within 0.03).
#pragma once

#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "vision/frame_visits.h"
#include "vision/grain_index.h"
#include "vision/shadow_reading.h"

namespace conebook::vision {

// Where it is read, and how far shreds of the sheet may push it there, relative.
struct GrainStretch {
  double from_of_breakup = 0.0, to_of_breakup = 0.0;
  double u_shreds = 0.0;
};

struct GrainOptions {
  GrainStretch drops_alone{1.7, 2.6, 0.0};
  GrainStretch nearer{1.5, 2.3, 0.10};
  double u_sizes = 0.04;  // relative: other spreads of sizes at one D32
  double patch_of_breakup = 0.35, least_patch_of_breakup = 0.15;  // length along the spray
  double patch_width_px = 6.0;                                    // least, and
  double patch_width_of_exit = 0.6;
  double inner_part = 0.75;   // of the half width
  double most_spreads = 4.0;  // farther off than so many: no drops
  int most_frames = 96;
  int blocks = 8;  // of frames, for the scatter
};

struct GrainResult {
  std::optional<Grain> grain;
  std::string why;  // where there is none
};

class GrainReader {
 public:
  GrainReader(ShadowRequest request, const GrainOptions& options);
  ~GrainReader();
  // Frames it wants; their takers refer to this reader.
  std::vector<FrameVisit> Visits();
  GrainResult Result() const;

 private:
  struct State;
  std::unique_ptr<State> state_;
};

}  // namespace conebook::vision
