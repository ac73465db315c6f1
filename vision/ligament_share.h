// Ligament share: of the mean shadow just below the end of the sheet, the part beyond what the drops farther
// down would cast there: ligaments and shreds of the sheet that have not yet become drops. A share of the
// shadow in back light, unit-free; no share of mass. It ranks footage of one rig.
//
// Drops that neither form nor slow down throw the same shadow on every length of the spray: over rows as wide
// as the cone, z times the mean absorbance m(z) of patches on fixed rays from the exit is the same all the
// way down. With D its mean from 1.6 breakup lengths to 2.4 or the picture's end, and N from 1.1 to 1.5,
//   ligament share = 1 - D / N.
// Liquid that still hangs together is not yet drops: what it casts counts only as far as it is more than they
// will. So the share is no more than the ligaments' whole share of the shadow, and near nothing where they
// cast as much as the drops they make. (A thread seen from aside casts 4 / (pi d) per volume, the drops of
// 1.89 d that it falls into 1.5 / (1.89 d), less by two fifths: Lord Rayleigh, On the instability of jets,
// Proc. London Math. Soc. 10 (1878) 4, from memory.) Derived here.
//
// In u: scatter between blocks of frames; the level beside the spray; a trend of the drops' own shadow along
// the spray; its constancy nearer the sheet; where the sheet ends.
#pragma once

#include <memory>
#include <vector>

#include "vision/frame_visits.h"
#include "vision/shadow_reading.h"

namespace conebook::vision {

struct LigamentOptions {
  double from_of_breakup = 1.1, to_of_breakup = 1.5;
  double drops_from_of_breakup = 1.6, drops_to_of_breakup = 2.4;
  double least_drops_of_breakup = 0.3;                     // in view
  double stretch_of_breakup = 0.1;                         // length of a patch
  double patch_width_px = 6.0, patch_width_of_exit = 0.6;  // the larger
  double inner_part = 0.75;                                // of the half width
  int rays = 15;                                           // across it
  double u_drops = 0.03;     // relative: how far drops cast the same shadow all the way
  double u_breakup = 0.035;  // relative, of where the sheet ends
  double most_u = 0.2;       // a share that is known worse is not given
  int most_frames = 96;
  int blocks = 8;  // of frames, for the scatter
};

class LigamentReader {
 public:
  LigamentReader(ShadowRequest request, const LigamentOptions& options);
  ~LigamentReader();
  // Frames it wants; their takers refer to this reader.
  std::vector<FrameVisit> Visits();
  ShareResult Result() const;

 private:
  struct State;
  std::unique_ptr<State> state_;
};

}  // namespace conebook::vision
