// What the liquid does over the clip's time.
#pragma once

#include <vector>

#include "render/scene.h"

namespace conebook::render {

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

}  // namespace conebook::render
