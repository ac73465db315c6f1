#include "src/wave_speed.h"

#include <cmath>
#include <limits>
#include <numbers>
#include <string>
#include <utility>

#include <fmt/core.h>

#include "src/liquid_state.h"

namespace conebook::src {
namespace {

constexpr double kPaPerBar = 1e5;
constexpr double kLeastPart = 0.5, kMostPart = 1.15;
constexpr const char* kAdvice =
    "film at a higher frame rate, so that waves move by less than half a length between "
    "frames, and tie the clip to a stand log";

}  // namespace

void HoldWavesAgainstFlow(const Rig& rig, int number, Point& point, std::vector<calib::Flag>& flags) {
  if (!point.spray.waves) return;
  vision::EdgeWaves& waves = *point.spray.waves;
  const auto refuse = [&](std::string why) {
    waves.speed_m_s.reset();
    waves.no_speed = std::move(why);
  };
  const bool angle_known = point.spray.half_angle.has_value();
  if (waves.speed_m_s && point.pressure_bar && point.pressure_bar->value > 0.0 && angle_known) {
    const double pressure_pa = point.pressure_bar->value * kPaPerBar;
    const calib::Quantity density = LiquidAt(rig, point.temperature_c, pressure_pa + kPaPerBar).density_kg_m3;
    const double half_angle = point.spray.half_angle->mean_deg.value * std::numbers::pi / 180.0;
    const double liquid_m_s = std::sqrt(2.0 * pressure_pa / density.value);
    const double along = liquid_m_s * std::cos(half_angle);  // of the axis, at the liquid's full speed
    const double part = waves.speed_m_s->value / along;
    const auto likely = [](double of) { return of > kLeastPart && of < kMostPart; };
    const double step = waves.alias_step_m_s / along;
    if (!likely(part)) {
      refuse(fmt::format(
          "the waves seem to go at {:.2g} of the liquid's speed, {:.3g} m/s: at this frame rate they "
          "may have come further than they seem",
          part, liquid_m_s));
    } else if (waves.ambiguous && (likely(part + step) || likely(part - step))) {
      refuse("at this frame rate two speeds of the waves look the same, and the liquid's speed allows both");
    } else {
      const double u = part * std::hypot(waves.speed_m_s->u / waves.speed_m_s->value,
                                         0.5 * point.pressure_bar->u / point.pressure_bar->value);
      point.wave_speed_part = calib::Quantity{part, u, std::numeric_limits<double>::infinity(), {}};
    }
  } else if (waves.speed_m_s && waves.ambiguous) {
    refuse(
        "at this frame rate several speeds of the waves look the same, and without a pressure drop the "
        "liquid's "
        "speed is not known");
  }
  if (!waves.speed_m_s) {
    flags.push_back(
        {"wave_speed_not_read", calib::Severity::kInfo, number, "sheet_waves", waves.no_speed, kAdvice});
  }
}

}  // namespace conebook::src
