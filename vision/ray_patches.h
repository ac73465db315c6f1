// Patches of the picture in the reading frame: along rays from the exit inside the spray, and beside it in
// the air. Grain, mist share and ligament share are read over them.
#pragma once

#include <optional>
#include <vector>

#include "vision/clip_model.h"

namespace conebook::vision {

struct RayPatch {
  int row0 = 0;
  int width_px = 0;
  std::vector<int> x;  // x[k]: where row row0 + k begins
  int before = 0;      // how many patches of its row come before it without a gap
  double AreaPx2() const { return static_cast<double>(width_px) * static_cast<double>(x.size()); }
};

// Distance below the exit of the last row that patches may use.
double LastPatchRow(const ClipModel& model);

// About `part` of the half width, -1 left to 1 right, from z0 to z1 below the exit; nothing where it leaves
// the picture.
std::optional<RayPatch> PatchOnRay(const ClipModel& model, double z0_px, double z1_px, double part,
                                   int width_px);

// Side by side, one pixel between, within `inner_part` of the half width; those wholly in view.
std::vector<RayPatch> PatchesAcross(const ClipModel& model, double z0_px, double z1_px, double inner_part,
                                    int width_px);

// In the air outside both sides, well beyond the boundary. Wide cones leave the picture, so air is looked for
// all the way down from the exit.
std::vector<RayPatch> PatchesBeside(const ClipModel& model, double length_px, int width_px);

}  // namespace conebook::vision
