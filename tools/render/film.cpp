#include "render/film.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <map>
#include <memory>
#include <mutex>
#include <numbers>

#include "render/random.h"
#include "render/wide.h"

namespace conebook::render {
namespace {

constexpr double kTurn = 2.0 * std::numbers::pi;
constexpr int kMaxSwirl = 24;

// cos and sin of m phi for evenly spaced phi; rows of m = 0 .. kMaxSwirl.
struct Circle {
  int count = 0;
  std::vector<std::vector<float>> cosine, sine;
};

const Circle& CircleOf(int count) {
  static std::mutex mutex;
  static std::map<int, std::unique_ptr<Circle>> circles;
  const std::lock_guard lock(mutex);
  auto& slot = circles[count];
  if (!slot) {
    slot = std::make_unique<Circle>();
    slot->count = count;
    for (int m = 0; m <= kMaxSwirl; ++m) {
      std::vector<float> c, s;
      for (int j = 0; j < count; ++j) {
        const double phi = kTurn * m * j / count;
        c.push_back(static_cast<float>(std::cos(phi)));
        s.push_back(static_cast<float>(std::sin(phi)));
      }
      slot->cosine.push_back(std::move(c));
      slot->sine.push_back(std::move(s));
    }
  }
  return *slot;
}

int PointsAround(double needed) {
  int count = 48;
  while (count < needed && count < 24576) count = count % 3 == 0 ? count / 3 * 4 : count / 2 * 3;
  return count;
}

double SmoothBox(double x, double from, double to) {
  const double soft = 0.15 * (to - from) + 1e-9;
  const auto step = [soft](double d) {
    const double s = std::clamp(0.5 + 0.5 * d / soft, 0.0, 1.0);
    return s * s * (3.0 - 2.0 * s);
  };
  return step(x - from) * step(to - x);
}

// Working arrays of one ring of patches.
struct RowBuffers {
  std::vector<float> eta, eta_z, eta_phi, skin, net, thick, solid, keep;
  std::vector<float> radius, slope_z, slope_phi, cosine, area, x, y, depth;
  std::size_t from = 0, to = 0;  // the part of the ring in work
  void Reset(std::size_t n) {
    for (auto* v : {&eta, &eta_z, &eta_phi, &solid}) v->assign(n, 0.0F);
    for (auto* v :
         {&skin, &net, &thick, &keep, &radius, &slope_z, &slope_phi, &cosine, &area, &x, &y, &depth})
      v->resize(n);
  }
};

RENDER_INLINE void AddWaves(const Spray& spray, const Instant& now, double z, double scale,
                            const Circle& circle, RowBuffers& b) {
  const SpraySetting& set = spray.setting;
  const double part = std::min(z / now.breakup_mm, 1.2);
  const double grown = now.wave_part * set.wave_mm * std::exp(set.wave_growth * (part - 1.0));
  if (grown * scale < 0.02) return;
  const auto growth = static_cast<float>(part < 1.2 ? set.wave_growth / now.breakup_mm : 0.0);
  for (const Spray::Mode& mode : spray.modes) {
    const double theta = mode.wave_rad_mm * (z - mode.speed * now.travel_mm) + mode.phase;
    const double a = grown * mode.share;
    const auto c = static_cast<float>(a * std::cos(theta));
    const auto s = static_cast<float>(a * std::sin(theta));
    const auto k = static_cast<float>(mode.wave_rad_mm);
    const auto m = static_cast<float>(mode.swirl);
    const float sign = mode.swirl < 0 ? -1.0F : 1.0F;
    const auto index = static_cast<std::size_t>(std::min(std::abs(mode.swirl), kMaxSwirl));
    const float* cm = circle.cosine[index].data();
    const float* sm = circle.sine[index].data();
    float* eta = b.eta.data();
    float* eta_z = b.eta_z.data();
    float* eta_phi = b.eta_phi.data();
#pragma GCC ivdep
    for (std::size_t j = b.from; j < b.to; ++j) {
      const float even = cm[j] * c - sign * sm[j] * s;
      const float odd = sign * sm[j] * c + cm[j] * s;
      eta[j] += even;
      eta_z[j] += growth * even - k * odd;
      eta_phi[j] -= m * odd;
    }
  }
}

// A texture along a ring of the liquid, which has turned by `swirl_turn` since the exit.
RENDER_INLINE void SampleAround(const Texture& texture, double row, double swirl_turn, std::size_t from,
                                std::size_t to, std::vector<float>& out) {
  const double floor_row = std::floor(row);
  const auto mix = static_cast<float>(row - floor_row);
  auto y0 = static_cast<std::int64_t>(floor_row) % texture.height;
  if (y0 < 0) y0 += texture.height;
  const std::int64_t y1 = y0 + 1 == texture.height ? 0 : y0 + 1;
  const float* a = texture.value.data() + y0 * texture.width;
  const float* b = texture.value.data() + y1 * texture.width;
  const double around = texture.width;
  double start = (static_cast<double>(from) / static_cast<double>(out.size()) - swirl_turn) * around;
  start -= std::floor(start / around) * around;
  const double step = around / static_cast<double>(out.size());
  const int width = texture.width;
  float* to_out = out.data() + from;
  const int count = static_cast<int>(to - from);
  // In two sweeps over short stretches, so that each is done in wide vectors.
  constexpr int kStretch = 128;
  int low[kStretch], high[kStretch];
  float rest[kStretch];
  for (int begin = 0; begin < count; begin += kStretch) {
    const int size = std::min(kStretch, count - begin);
    for (int j = 0; j < size; ++j) {
      double u = start + step * (begin + j);  // at most once around
      u -= u >= around ? around : 0.0;
      const int i = static_cast<int>(u);
      low[j] = i;
      high[j] = i + 1 == width ? 0 : i + 1;
      rest[j] = static_cast<float>(u - i);
    }
    float* here = to_out + begin;
#pragma GCC ivdep
    for (int j = 0; j < size; ++j) {
      const float left = a[low[j]] + mix * (b[low[j]] - a[low[j]]);
      const float right = a[high[j]] + mix * (b[high[j]] - a[high[j]]);
      here[j] = left + rest[j] * (right - left);
    }
  }
}

// keep: 1 continuous sheet, 0.5 ligament, 0 nothing there.
RENDER_INLINE void BreakUp(double z, const std::vector<float>& rim_mm, double reach, double rim_band_mm,
                           RowBuffers& b) {
  const std::size_t n = b.keep.size();
  const auto z_mm = static_cast<float>(z);
  const auto band_mm = static_cast<float>(rim_band_mm);
  const auto reach_part = static_cast<float>(reach);
  const float step = static_cast<float>(kRimSectors) / static_cast<float>(n);
  const int last = kRimSectors - 1;
  const float* rim = rim_mm.data();
  const float *net = b.net.data(), *skin = b.skin.data();
  float *keep = b.keep.data(), *solid = b.solid.data(), *thick = b.thick.data();
#pragma GCC ivdep
  for (std::size_t j = b.from; j < b.to; ++j) {
    const float place = static_cast<float>(static_cast<int>(j)) * step;
    const int k = std::min(static_cast<int>(place), last);
    const float rim_here = rim[k] + (place - static_cast<float>(k)) * (rim[k + 1] - rim[k]);
    const float off = net[j] - 0.5F;
    const float end_mm = rim_here * (1.0F + 0.10F * off);  // a ragged rim; its median stays
    const bool sheet = z_mm < end_mm;
    const float open = std::max(0.0F, 4.0F * z_mm / end_mm - 3.0F);
    const bool hole = (skin[j] > 1.0F - 0.07F * open * open) & (z_mm < 0.97F * end_mm);  // before the rim
    const float rim_solid = end_mm - z_mm < band_mm ? 0.5F : 0.0F;
    const float gone = (z_mm / end_mm - 1.0F) / (reach_part * (0.5F + 1.1F * skin[j]));
    const bool ligament = !sheet & (gone <= 1.0F) & (std::abs(off) <= 0.13F * (1.0F - 0.6F * gone));
    const float on_sheet = hole ? 0.0F : 1.0F;
    const float beyond = ligament ? 0.5F : 0.0F;
    keep[j] = sheet ? on_sheet : beyond;
    // Ligaments are thick: they look like drops.
    solid[j] = sheet ? rim_solid : 2.0F * beyond;
    thick[j] *= ligament ? 2.5F : 1.0F;
  }
}

// Positions, facing and projected areas of a ring's patches.
RENDER_INLINE void Place(const Camera& camera, double z, double radius, double slope, double step_mm,
                         const Circle& circle, RowBuffers& b) {
  const std::size_t n = b.x.size();
  const float* c1 = circle.cosine[1].data();
  const float* s1 = circle.sine[1].data();
  const Vec3 centre = camera.exit_mm + z * camera.axis;
  const auto f = [](double v) { return static_cast<float>(v); };
  const float base = f(radius), rise = f(slope), least = f(0.02 * radius);
  const float rx = f(camera.right.x), ry = f(camera.right.y), rz = f(camera.right.z);
  const float wx = f(camera.away.x), wy = f(camera.away.y), wz = f(camera.away.z);
  const float ax = f(camera.axis.x), ay = f(camera.axis.y), az = f(camera.axis.z);
  const float cx = f(centre.x), cy = f(centre.y), cz = f(centre.z);
  const float patch = f(kTurn / static_cast<double>(n) * step_mm);
  float *radii = b.radius.data(), *fzs = b.slope_z.data(), *fps = b.slope_phi.data();
  float *cosines = b.cosine.data(), *areas = b.area.data(), *xs = b.x.data(), *ys = b.y.data();
  const float *eta = b.eta.data(), *eta_z = b.eta_z.data(), *eta_phi = b.eta_phi.data();
#pragma GCC ivdep
  for (std::size_t j = b.from; j < b.to; ++j) {
    radii[j] = std::max(base + eta[j], least);
    fzs[j] = rise + eta_z[j];
    fps[j] = eta_phi[j] / radii[j];
  }
  if (camera.orthographic) {
    const float per_mm = f(camera.ortho_px_per_mm);
    const float ex = f(camera.exit_px.x), ey = f(camera.exit_px.y);
    const float ix = f(camera.exit_mm.x), iy = f(camera.exit_mm.y);
#pragma GCC ivdep
    for (std::size_t j = b.from; j < b.to; ++j) {
      const float c = c1[j], s = s1[j], r = radii[j], fz = fzs[j], fp = fps[j];
      xs[j] = ex + per_mm * (cx - ix + r * (c * rx + s * wx));
      ys[j] = ey + per_mm * (cy - iy + r * (c * ry + s * wy));
      const float facing = std::abs(c * rz + s * wz - fz * az - fp * (c * wz - s * rz));
      cosines[j] = facing / std::sqrt(1.0F + fz * fz + fp * fp);
      areas[j] = r * patch * facing * per_mm * per_mm;
    }
    return;
  }
  const float focal = f(camera.focal_px), mx = f(camera.centre_x_px), my = f(camera.centre_y_px);
  const float k1 = f(camera.k1), k2 = f(camera.k2), p1 = f(camera.p1), p2 = f(camera.p2);
#pragma GCC ivdep
  for (std::size_t j = b.from; j < b.to; ++j) {
    const float c = c1[j], s = s1[j], r = radii[j], fz = fzs[j], fp = fps[j];
    const float ux = c * rx + s * wx, uy = c * ry + s * wy, uz = c * rz + s * wz;
    const float tx = c * wx - s * rx, ty = c * wy - s * ry, tz = c * wz - s * rz;
    const float px = cx + r * ux, py = cy + r * uy, pz = cz + r * uz;
    const float nx = ux - fz * ax - fp * tx, ny = uy - fz * ay - fp * ty, nz = uz - fz * az - fp * tz;
    const float facing = std::abs(nx * px + ny * py + nz * pz);
    cosines[j] = facing / std::sqrt((1.0F + fz * fz + fp * fp) * (px * px + py * py + pz * pz));
    const float inverse = 1.0F / pz;
    areas[j] = r * patch * facing * (focal * inverse) * (focal * inverse) * inverse;
    const float u = px * inverse, v = py * inverse;
    const float q = u * u + v * v;
    const float radial = 1.0F + q * (k1 + q * k2);
    xs[j] = mx + focal * (u * radial + 2.0F * p1 * u * v + p2 * (q + 2.0F * u * u));
    ys[j] = my + focal * (v * radial + p1 * (q + 2.0F * v * v) + 2.0F * p2 * u * v);
  }
}

}  // namespace

void SheetExtent::Reset(const Camera& camera, Pixel shift, int rows) {
  origin = camera.Project(camera.exit_mm);
  const Pixel ahead = camera.Project(camera.exit_mm + 0.01 * camera.axis);
  const double length = std::hypot(ahead.x - origin.x, ahead.y - origin.y);
  along = {(ahead.x - origin.x) / length, (ahead.y - origin.y) / length};
  across = {along.y, -along.x};
  origin = {origin.x + shift.x, origin.y + shift.y};
  right.assign(static_cast<std::size_t>(rows), -1e9F);
  left.assign(static_cast<std::size_t>(rows), -1e9F);
  seen.assign(static_cast<std::size_t>(rows), 0);
}

RENDER_WIDE void AddSheet(const Spray& spray, const Camera& camera, const FilmLook& look, const Instant& now,
                          double weight, double pitch_px, const Limb& limb, Pixel shift, FloatImage& image,
                          SheetExtent* extent) {
  const SpraySetting& set = spray.setting;
  const double scale = camera.PxPerMmAtExit();
  double tan_a = now.tan_a;
  const double cos_a = 1.0 / std::sqrt(1.0 + tan_a * tan_a);
  const double step_mm = pitch_px * cos_a / scale;

  std::vector<float> rim_mm = spray.RimAround(now);
  const float nearest = *std::min_element(rim_mm.begin(), rim_mm.end());
  const float farthest = *std::max_element(rim_mm.begin(), rim_mm.end());
  const bool solid_jet = set.solid_jet || now.stage == Stage::kPencil;
  const double reach = solid_jet ? 0.05 : set.ligament_reach;
  const double last_mm =
      std::min({now.front_mm, now.stop_mm, static_cast<double>(farthest) * (1.0 + 1.6 * reach), set.view_mm});

  const double light_x = std::sin(0.9 * look.light_side);
  const double light_z = -std::cos(0.9 * look.light_side);
  const Vec3 light{0.8 * light_x, -0.6, 0.8 * light_z};
  const Vec3 half_raw = light + Vec3{0.0, 0.0, -1.0};
  const Vec3 half = (1.0 / Length(half_raw)) * half_raw;
  const double rim_band_mm = 0.25 * set.ligament_pitch_mm;
  const double pitch_mm = 0.25 * set.ligament_pitch_mm;
  const bool grey = look.film == Film::kGrey;

  RowBuffers b;
  std::uint64_t jitter = Mix(set.seed ^ static_cast<std::uint64_t>(std::llround(now.travel_mm * 1e6)));
  double z = now.tail_mm + step_mm * UnitFromBits(jitter);
  Instant ring = now;
  int ring_number = 0;
  for (; z < last_mm; z += step_mm) {
    if (now.line_s > 0.0) {
      // Each ring as of the time when the shutter comes to it.
      const double late_s = now.line_s * (camera.Project(camera.exit_mm + z * camera.axis).y + shift.y);
      ring.time_s = now.time_s + late_s;
      ring.travel_mm = now.travel_mm + 1e3 * late_s * now.axial_m_s;
      constexpr int kRingsARim = 12;  // it changes little over so few
      if (ring_number++ % kRingsARim == 0) rim_mm = spray.RimAround(ring);
    }
    if (set.pulsation_deg > 0.0) {
      const double delay_s = 1e-3 * z / now.axial_m_s;
      tan_a =
          std::tan(std::atan(now.tan_a) + set.pulsation_deg * std::numbers::pi / 180.0 *
                                              std::sin(kTurn * set.pulsation_hz * (ring.time_s - delay_s)));
    }
    const double radius = spray.RadiusAt(z, tan_a, now.closes_mm);
    const int count = PointsAround(kTurn * radius * scale / pitch_px);
    const Circle& circle = CircleOf(count);
    const auto n = static_cast<std::size_t>(count);
    b.Reset(n);
    // Where only the limb counts, leave the patches that face the (far, untilted) camera.
    std::size_t half_window = n;
    const double inner = 1.0 - limb.width_px / (radius * scale);
    if (limb.width_px > 0.0 && inner > 0.0)
      half_window = static_cast<std::size_t>(
                        std::ceil(static_cast<double>(n) * (std::acos(inner) + limb.turn_rad) / kTurn)) +
                    1;
    const bool whole = 4 * half_window >= n;
    for (int window = 0; window < (whole ? 1 : 3); ++window) {
      b.from = whole || window == 0 ? 0 : window == 1 ? n / 2 - half_window : n - half_window;
      b.to = whole ? n : window == 0 ? half_window : window == 1 ? n / 2 + half_window : n;
      AddWaves(spray, ring, z, scale, circle, b);

      // What the liquid carries: thickness, small holes, the rim, ligaments.
      const double swirl_turn = std::atan(z * tan_a / set.r0_mm) / kTurn;
      const double texture_row = (z - ring.travel_mm) / pitch_mm;
      SampleAround(spray.skin, 2.0 * texture_row, swirl_turn, b.from, b.to, b.skin);
      const auto streak = static_cast<float>(look.streak);
      for (std::size_t j = b.from; j < b.to; ++j) b.thick[j] = 1.0F + streak * (b.skin[j] - 0.5F);
      const bool near_rim = now.line_s > 0.0 || z > 0.72 * static_cast<double>(nearest);
      if (near_rim) {
        SampleAround(spray.net, texture_row, swirl_turn, b.from, b.to, b.net);
        BreakUp(z, rim_mm, reach, rim_band_mm, b);
      }

      // Where each patch is, how it faces the camera, how many square pixels it covers.
      Place(camera, z, radius, spray.SlopeAt(z, tan_a, now.closes_mm), step_mm, circle, b);

      if (grey) {
        const auto wall = static_cast<float>(look.wall_depth * (solid_jet ? 4.0 : 1.0));
        const auto r0 = static_cast<float>(set.r0_mm);
        // In back light a round thread or rim turns the light aside as a drop does, dyed or not; it is
        // thinner than the drops that it parts into by Rayleigh's 1.89.
        const auto rim = static_cast<float>(look.frontlit ? 0.5 * look.wall_depth : look.drop_depth / 1.89);
        for (std::size_t j = b.from; j < b.to; ++j) {
          const float thin = solid_jet ? 1.0F : r0 / b.radius[j];
          b.depth[j] = wall * thin * b.thick[j] / std::max(b.cosine[j], 1e-3F) + rim * b.solid[j];
        }
        if (look.frontlit) {
          const auto side = static_cast<float>(0.35 * look.light_side);
          for (std::size_t j = b.from; j < b.to; ++j) b.depth[j] *= 1.0F + side * circle.cosine[1][j];
        }
      } else {
        const auto grazed = static_cast<float>(look.limb_depth);
        const auto soft = static_cast<float>(look.limb_softness);
        const auto inside = static_cast<float>(look.interior_depth);
        const auto rim = static_cast<float>(0.6 * look.limb_depth);
        for (std::size_t j = b.from; j < b.to; ++j) {
          const float g = 1.0F - b.cosine[j];
          b.depth[j] = grazed * g * g * g * (soft + (1.0F - soft) * g * g);
        }
        if (look.frontlit) {
          const auto side = static_cast<float>(0.6 * look.light_side);
          for (std::size_t j = b.from; j < b.to; ++j) b.depth[j] *= 1.0F + side * circle.cosine[1][j];
          if (look.lost_side != 0.0) {
            const auto left =
                static_cast<float>(1.0 - 0.985 * SmoothBox(z / now.breakup_mm, look.lost_from, look.lost_to));
            const auto lost_side = static_cast<float>(look.lost_side);
            for (std::size_t j = b.from; j < b.to; ++j) {
              // The limb of that side goes; what faces the camera stays as it is.
              const float outer = std::clamp((lost_side * circle.cosine[1][j] - 0.55F) / 0.35F, 0.0F, 1.0F);
              b.depth[j] *= 1.0F - (1.0F - left) * outer * outer * (3.0F - 2.0F * outer);
            }
          }
        }
        for (std::size_t j = b.from; j < b.to; ++j)
          b.depth[j] +=
              inside * b.thick[j] * (1.0F + 6.0F * std::max(0.0F, b.skin[j] - 0.85F)) + rim * b.solid[j];
      }
      if (look.glint > 0.0) {
        const auto strength = static_cast<float>(look.glint);
        const auto ha = static_cast<float>(Dot(half, camera.axis));
        const auto hr = static_cast<float>(Dot(half, camera.right));
        const auto ho = static_cast<float>(Dot(half, camera.away));
        const float* c1 = circle.cosine[1].data();
        const float* s1 = circle.sine[1].data();
        for (std::size_t j = b.from; j < b.to; ++j) {
          const float fp = b.slope_phi[j];
          const float product = hr * (c1[j] + fp * s1[j]) + ho * (s1[j] - fp * c1[j]) - b.slope_z[j] * ha;
          const float mirror2 = product * product / (1.0F + b.slope_z[j] * b.slope_z[j] + fp * fp);
          const float m4 = mirror2 * mirror2;
          const float m8 = m4 * m4;
          const float m32 = m8 * m8 * m8 * m8;
          b.depth[j] += strength * m32 * m32 * m32;
        }
      }

      const auto w = static_cast<float>(weight);
      const auto sx = static_cast<float>(shift.x);
      const auto sy = static_cast<float>(shift.y);
      for (std::size_t j = b.from; j < b.to; ++j) {
        if (near_rim && b.keep[j] == 0.0F) continue;
        Splat(image, b.x[j] + sx, b.y[j] + sy, w * b.depth[j] * b.area[j]);
      }
      if (extent == nullptr) continue;
      const auto ox = static_cast<float>(extent->origin.x) - sx;
      const auto oy = static_cast<float>(extent->origin.y) - sy;
      const auto ax = static_cast<float>(extent->along.x);
      const auto ay = static_cast<float>(extent->along.y);
      const auto rows = static_cast<int>(extent->seen.size());
      for (std::size_t j = b.from; j < b.to; ++j) {
        if (near_rim && b.keep[j] != 1.0F) continue;
        // Only patches that may lie outermost.
        if (b.cosine[j] > 0.7F) continue;
        const float down = (b.x[j] - ox) * ax + (b.y[j] - oy) * ay;
        const float side = (b.x[j] - ox) * ay - (b.y[j] - oy) * ax;
        const int row = static_cast<int>(down + 0.5F);
        if (down < 0.0F || row >= rows) continue;
        const auto i = static_cast<std::size_t>(row);
        extent->seen[i] = 1;
        extent->right[i] = std::max(extent->right[i], side);
        extent->left[i] = std::max(extent->left[i], -side);
      }
    }
  }
}

}  // namespace conebook::render
