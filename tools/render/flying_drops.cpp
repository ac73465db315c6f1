#include "render/flying_drops.h"

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <numbers>
#include <vector>

#include "render/random.h"

namespace conebook::render {
namespace {

constexpr double kTurn = 2.0 * std::numbers::pi;

// A drop's place on the exit's circle, given what would be its place in an even spray. It flies off at a
// right angle to where it left.
double UnevenPhi(const SpraySetting& set, std::int64_t drop, double even_phi) {
  constexpr double kDegree = std::numbers::pi / 180.0;
  if (set.drop_ray_share > 0.0) {
    Hashed draw(set.seed ^ 0x5eedULL, drop);
    if (draw.Unit() < set.drop_ray_share)
      return kDegree * (set.drop_ray_deg + set.drop_ray_width_deg * draw.Normal()) - 0.5 * std::numbers::pi;
  }
  if (set.drop_uneven == 0.0) return even_phi;
  double lo = 0.0, hi = kTurn;
  for (int i = 0; i < 40; ++i) {
    const double middle = 0.5 * (lo + hi);
    (middle + set.drop_uneven * std::sin(middle) < even_phi ? lo : hi) = middle;
  }
  return 0.5 * (lo + hi) - 0.5 * std::numbers::pi;
}

}  // namespace

void AddDrops(const Spray& spray, const Camera& camera, const FilmLook& look, const Instant& now,
              double exposure_s, Pixel shift, FloatImage& image) {
  const SpraySetting& set = spray.setting;
  if (!(set.drops_per_mm > 0.0)) return;
  const double scale = camera.PxPerMmAtExit();
  const double smear_mm = 1e3 * exposure_s * now.axial_m_s;
  const std::vector<float> rim_mm = spray.RimAround(now);
  const auto first = static_cast<std::int64_t>(
      std::floor(std::max(now.travel_mm - set.view_mm, now.travel_mm - now.front_mm) * set.drops_per_mm));
  const auto last = static_cast<std::int64_t>(std::floor(now.travel_mm * set.drops_per_mm));
  for (std::int64_t k = first; k <= last; ++k) {
    Hashed draw(set.seed, k);
    const double left_exit_mm = (static_cast<double>(k) + draw.Unit()) / set.drops_per_mm;
    const double gone_mm = now.travel_mm - left_exit_mm;  // axial way since the exit
    const double phi = UnevenPhi(set, k, kTurn * draw.Unit());
    const double late = std::abs(draw.Normal());
    const double size = draw.Normal();
    const double aside = draw.Normal();
    const double ahead = draw.Normal();
    const double lift = draw.Normal();
    const bool stray = draw.Unit() < set.stray_share;
    const double speed = 1.0 + 0.06 * draw.Normal();
    if (gone_mm <= 0.5 * now.breakup_mm || gone_mm < now.tail_mm) continue;
    const double off = draw.Normal();
    const double early = stray ? 0.6 + 0.3 * draw.Unit() : 1.0;
    // Its path bends off at a place of its own; it shows once the ligaments have let go of it.
    const double born_mm = now.breakup_mm * std::exp(set.breakup_scatter * off) *
                           (1.0 + 0.5 * set.ligament_reach * late) * early;
    const double turn = phi / kTurn + std::atan(born_mm * now.tan_a / set.r0_mm) / kTurn;
    const double free_mm = RimAt(rim_mm, turn) * (1.0 + 0.5 * set.ligament_reach * late) * early;
    // During the exposure it flies from here to there; before that its liquid was the sheet's.
    const double from_mm = std::max(gone_mm - 0.5 * smear_mm, free_mm);
    const double to_mm = std::min(gone_mm + 0.5 * smear_mm, now.front_mm);
    if (from_mm > to_mm) continue;
    const double share = smear_mm > 0.0 ? (to_mm - from_mm) / smear_mm : 1.0;
    // Straight path from the exit's circle; from birth on, a little aside of it.
    const double rad = (stray ? set.stray_scatter_deg : set.drop_scatter_deg) * std::numbers::pi / 180.0;
    const Vec3 rho = std::cos(phi) * camera.right + std::sin(phi) * camera.away;
    const Vec3 tangent = std::cos(phi) * camera.away - std::sin(phi) * camera.right;
    const double path = std::sqrt(1.0 + now.tan_a * now.tan_a);
    const Vec3 velocity = camera.axis + now.tan_a * tangent;
    // Local outward direction where it was born, for the wave's throw.
    const double turn_born = std::atan(born_mm * now.tan_a / set.r0_mm);
    const Vec3 outward = std::cos(turn_born) * rho + std::sin(turn_born) * tangent;
    const Vec3 swing = rad * path * (aside * outward + ahead * Cross(outward, (1.0 / path) * velocity));
    Vec3 start = camera.exit_mm + set.r0_mm * rho + born_mm * velocity + set.wave_mm * lift * outward;
    Vec3 drift = speed * velocity + swing;
    if (now.closes_mm > 0.0) {
      // From where the bell has brought it, along the bell's slope there.
      const double radius = spray.RadiusAt(born_mm, now.tan_a, now.closes_mm);
      start = camera.exit_mm + born_mm * camera.axis + (radius + set.wave_mm * lift) * outward;
      drift = speed * (camera.axis + spray.SlopeAt(born_mm, now.tan_a, now.closes_mm) * outward) + swing;
    }
    const double radius_mm = 0.5e-3 * set.drop_um * std::exp(set.drop_spread * size);
    const Pixel a = camera.Project(start + (from_mm - born_mm) * drift);
    const Pixel b = camera.Project(start + (to_mm - born_mm) * drift);
    const double radius_px = radius_mm * scale;
    const double margin = radius_px + 2.0;
    if (std::min(a.x, b.x) > image.width + margin || std::max(a.x, b.x) < -margin ||
        std::min(a.y, b.y) > image.height + margin || std::max(a.y, b.y) < -margin) {
      continue;
    }
    const Pixel from{a.x + shift.x, a.y + shift.y};
    const Pixel to{b.x + shift.x, b.y + shift.y};
    const double depth = share * look.drop_depth;
    if (look.frontlit) {
      // A clear drop shows the lamp as a spot off its centre, and little else.
      const double ox = 0.45 * radius_px * look.light_side;
      const double oy = -0.3 * radius_px;
      AddStreak(image, from, to, radius_px, 0.25 * depth);
      AddStreak(image, {from.x + ox, from.y + oy}, {to.x + ox, to.y + oy}, 0.4 * radius_px, 2.0 * depth);
    } else {
      AddStreak(image, from, to, radius_px, depth);
      // It is a lens: its middle passes the light behind it.
      if (radius_px > 3.0) AddStreak(image, from, to, 0.32 * radius_px, -0.85 * depth);
    }
  }
}

void AddDrip(const Spray& spray, const Camera& camera, const FilmLook& look, double time_s, Pixel shift,
             FloatImage& image) {
  constexpr double kEvery = 0.31;
  const double radius_mm = std::max(1.2 * spray.setting.exit_radius_mm, 1.2);
  const auto number = static_cast<std::int64_t>(std::floor(time_s / kEvery));
  const double since_s = time_s - kEvery * static_cast<double>(number);
  const double fallen_mm = 0.5 * 9806.65 * since_s * since_s;
  const double growing = radius_mm * std::cbrt(since_s / kEvery);
  for (const auto& [z, r] :
       {std::pair{fallen_mm + radius_mm, radius_mm}, std::pair{0.7 * growing, growing}}) {
    const Pixel p = camera.Project(camera.exit_mm + z * camera.axis);
    const double radius_px = r * camera.PxPerMmAtExit();
    AddDisc(image, p.x + shift.x, p.y + shift.y, radius_px, look.drop_depth);
    if (!look.frontlit)
      AddDisc(image, p.x + shift.x, p.y + shift.y, 0.35 * radius_px, -0.9 * look.drop_depth);
  }
}

}  // namespace conebook::render
