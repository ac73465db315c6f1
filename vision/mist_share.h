// Mist share: of the mean shadow of a spray's drops below the end of its sheet, the part that stays where the
// least shadow is, in drops that darken no pixel by more than about 6 %: too fine, too much out of focus or
// too smeared to stand out. A share of the shadow in back light, unit-free; no share of mass. It hangs on
// exposure, focus and pixels, so it ranks footage of one rig and one exposure.
//
// With A the absorbance, which adds up where shadows overlap, and averages over a patch's pixels and frames,
//   a(t) = <A exp(-t A)> / <exp(-t A)>.
// Shadows thrown at random give a(t) = n integral of f exp(-t f), f a drop's absorbance about its middle and
// n the drops per area, whatever their number (Campbell's theorem; a is the derivative of the cumulant
// function). A blurred drop's part falls as 1 / t as soon as its peak is well above 1 / t, mist's stays:
//   mist share = [2 a(2 t) - a(t)] / a(0), t = 8,
// free of drops that stand out: a Gaussian spot of peak p is left with (exp(-t p) - exp(-2 t p)) / (t p) of
// itself, half at p = 0.06. The picture's noise is independent of the drops, so that its a(t), measured
// beside the spray, is taken off; and so is the mean level there: haze in the room is not mist. Refused where
// hardly a pixel is free of drops that stand out. (N. R. Campbell, Proc. Camb. Phil. Soc. 15 (1909) 117, 310;
// from memory. Its use here is derived.)
//
// In u: scatter between blocks of frames, level, noise.
#pragma once

#include <memory>
#include <vector>

#include "vision/frame_visits.h"
#include "vision/shadow_reading.h"

namespace conebook::vision {

struct MistOptions {
  double from_of_breakup = 1.5, to_of_breakup = 2.4;
  double patch_of_breakup = 0.3;                           // length along the spray
  double patch_width_px = 6.0, patch_width_of_exit = 0.6;  // the larger
  double inner_part = 0.75;                                // of the half width
  double tilt = 8.0;                                       // t
  double least_worth = 0.01;                               // of the pixels, as many as count evenly
  double most_u = 0.2;                                     // a share that is known worse is not given
  int most_frames = 96;
  int blocks = 8;  // of frames, for the scatter
};

class MistReader {
 public:
  MistReader(ShadowRequest request, const MistOptions& options);
  ~MistReader();
  // Frames it wants; their takers refer to this reader.
  std::vector<FrameVisit> Visits();
  ShareResult Result() const;

 private:
  struct State;
  std::unique_ptr<State> state_;
};

}  // namespace conebook::vision
