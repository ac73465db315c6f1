// truth.json: what a clip was drawn from, and the boundary as it is known without the picture's faults.
#pragma once

#include <string>
#include <vector>

#include "render/boundary_truth.h"
#include "render/camera.h"
#include "render/long_time.h"
#include "render/scene.h"
#include "render/spray.h"

namespace conebook::render {

struct ClipPoint {  // a pressure point in video time
  double t0_s = 0.0, t1_s = 0.0;
  int frames = 0;
};

struct ClipTruth {
  const Scene& scene;
  const Spray& spray;
  Camera camera;
  StationRows stations;
  std::vector<ClipPoint> points;
  std::vector<BoundaryStack> own;  // the clip's own frames under perfect masks, one a point
  LongTime long_time;              // empty: not asked for
  double spray_start_s = -1.0;     // below 0: no liquid seen
  std::string clip_name;
};

std::string TruthText(const ClipTruth& truth);

}  // namespace conebook::render
