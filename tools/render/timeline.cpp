#include "render/timeline.h"

#include <algorithm>

namespace conebook::render {

Timeline::Timeline(const Scene& scene) : scene_(scene) {
  const double end_s = scene.recording.frames / scene.recording.fps + 2.0 / scene.recording.fps + 1e-3;
  t0_s_ = scene.prespray ? scene.open_video_s : 0.0;
  base_mm_ = scene.prespray ? 0.0 : 2e4;
  step_s_ = std::min(5e-4, 0.2 / scene.recording.fps);
  double travel = 0.0;
  for (double t = t0_s_; t < end_s; t += step_s_) {
    travel_mm_.push_back(travel);
    const double log_s = t + 0.5 * step_s_ + scene.log_minus_video_s;
    // What has left the exit flies on when the valve shuts.
    const double drop = scene.stand.drops_bar.empty()
                            ? 0.0
                            : Stand(scene.stand).DropBar(std::min(log_s, scene.stand.close_s));
    if (drop > 0.01) travel += 1e3 * step_s_ * SteadyInstant(scene, drop, t, 0.0).axial_m_s;
  }
}

double Timeline::TravelMm(double video_s) const {
  const double place = std::max(0.0, (video_s - t0_s_) / step_s_);
  const auto i = std::min(static_cast<std::size_t>(place), travel_mm_.size() - 2);
  return travel_mm_[i] + (place - static_cast<double>(i)) * (travel_mm_[i + 1] - travel_mm_[i]);
}

Instant Timeline::At(double video_s) const {
  const double drop = Stand(scene_.stand).DropBar(video_s + scene_.log_minus_video_s);
  Instant now = SteadyInstant(scene_, drop, video_s, 0.0);
  if (video_s < t0_s_ || travel_mm_.empty()) {
    now.front_mm = -1.0;
    return now;
  }
  const double travel = TravelMm(video_s);
  now.travel_mm = base_mm_ + travel;
  now.line_s = 1e-6 * scene_.recording.rolling_us;
  now.front_mm = scene_.prespray ? travel : 1e9;
  // Once the pressure is gone nothing follows.
  const double empty_s = scene_.stand.close_s + 2.0 * scene_.stand.rise_s - scene_.log_minus_video_s;
  if (video_s > empty_s) now.tail_mm = travel - TravelMm(empty_s);
  return now;
}

}  // namespace conebook::render
