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
// of cases. Patches lie along rays from the exit, from 1.5 breakup lengths to 2.3 or the picture's end,
// within the inner three quarters of the width; the variance is half that of the difference between
// neighbours across the spray: waves, pulsation and haze are alike in both. A streak that a patch's end cuts
// counts for less; from whole and half patches the value for patches without end is had. What the picture's
// noise alone gives is measured the same way beside the spray and taken off; and so is the mean level there.
// Derived here (shot-noise theorem). Clumps and ligaments count as coarse: they are.
#pragma once

#include <cstdint>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "vision/clip_model.h"
#include "vision/frame_visits.h"
#include "vision/grain_index.h"

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

struct GrainRequest {
  const ClipModel* model = nullptr;
  std::vector<std::int64_t> frames;  // rising numbers of decoded frames
  double breakup_px = 0.0;           // along the axis from the exit
};

struct GrainResult {
  std::optional<Grain> grain;
  std::string why;  // where there is none
};

class GrainReader {
 public:
  GrainReader(GrainRequest request, const GrainOptions& options);
  ~GrainReader();
  // Frames it wants; their takers refer to this reader.
  std::vector<FrameVisit> Visits();
  GrainResult Result() const;

 private:
  struct State;
  std::unique_ptr<State> state_;
};

}  // namespace conebook::vision
