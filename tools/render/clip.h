// One clip from start to end: pictures, rig, log, truth.
#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "render/boundary_truth.h"
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

// What the liquid does over the clip's time.
class Timeline {
 public:
  explicit Timeline(const Scene& scene);
  Instant At(double video_s) const;

 private:
  double TravelMm(double video_s) const;
  const Scene& scene_;
  double t0_s_ = 0.0, step_s_ = 1e-3, base_mm_ = 0.0;
  std::vector<double> travel_mm_;
};

// Noise-free signal of one exposure around `now`. Of the sheet all, or the limb alone, see AddSheet.
void RenderSignal(const Scene& scene, const Spray& spray, const Camera& nozzle, const Instant& now,
                  Pixel shift, bool with_drops, const Limb& limb, FloatImage& signal, SheetExtent* extent);

// The camera as the rig states it, with the defaults of the contract where it is silent.
Camera StatedCamera(const Scene& scene);

std::string RigText(const Scene& scene, const ClipOptions& options);
void RenderClip(const Scene& scene, const std::filesystem::path& directory, const ClipOptions& options);

}  // namespace conebook::render
