#include "render/exposure.h"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <vector>

#include "render/flying_drops.h"

namespace conebook::render {

void RenderSignal(const Scene& scene, const Spray& spray, const Camera& nozzle, const Instant& now,
                  Pixel shift, bool with_drops, const Limb& limb, FloatImage& signal, SheetExtent* extent) {
  signal.Reset(nozzle.width, nozzle.height);
  const double exposure_s = scene.recording.exposure_s;
  const bool drips = scene.negative == "drip" || (now.stage == Stage::kDribble && now.front_mm > 0.0);
  if (now.front_mm > 0.0 && scene.negative != "no_spray" && scene.negative != "walker" && !drips) {
    const double smear_mm = 1e3 * exposure_s * now.axial_m_s;
    const double smear_px = smear_mm * nozzle.PxPerMmAtExit();
    const int parts = std::clamp(static_cast<int>(std::ceil(smear_px / 2.5)), 1, 10);
    const double pitch_px = std::min(1.05 * std::pow(parts, 0.42), 2.6);
    std::vector<double> directions = scene.jets_deg;
    const FaultSetting& faults = scene.recording.faults;
    const double draught_deg =
        faults.lean_swing_deg * std::sin(2.0 * std::numbers::pi * faults.lean_swing_hz * now.time_s);
    if (directions.empty()) directions.push_back(scene.lean_deg + draught_deg);
    for (const double direction_deg : directions) {
      const Camera leaned = Leaned(nozzle, direction_deg);
      for (int i = 0; i < parts; ++i) {
        Instant part = now;
        const double off = (i + 0.5) / parts - 0.5;
        part.travel_mm += off * smear_mm;
        part.time_s += off * exposure_s;
        AddSheet(spray, leaned, scene.look, part, 1.0 / parts, pitch_px, limb, shift, signal, extent);
      }
      if (with_drops) AddDrops(spray, leaned, scene.look, now, exposure_s, shift, signal);
    }
  }
  if (drips) AddDrip(spray, nozzle, scene.look, now.time_s, shift, signal);
  SignalFromDepth(signal, std::hypot(scene.look.blur_px, scene.recording.defocus_px));
}

}  // namespace conebook::render
