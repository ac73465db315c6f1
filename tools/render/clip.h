// One clip from start to end: pictures, rig, log, truth.
#pragma once

#include <filesystem>
#include <string>

#include "render/scene.h"

namespace conebook::render {

struct ClipOptions {
  bool fast = false;  // no long-time truth of the boundary
  // Independent pictures per pressure point are added until the long-time half angle is known this well, but
  // no more than so many.
  double truth_u_deg = 0.01;
  int truth_frames = 200;
  std::string rig_name = "rig.toml", log_name = "log.csv", clip_name;
};

void RenderClip(const Scene& scene, const std::filesystem::path& directory, const ClipOptions& options);

}  // namespace conebook::render
