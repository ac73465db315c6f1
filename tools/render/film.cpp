#include "render/film.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <map>
#include <memory>
#include <mutex>
#include <numbers>

#include <opencv2/core.hpp>
#include <opencv2/imgproc.hpp>

#include "render/random.h"

namespace conebook::render {
namespace {

// The hot loops are built twice, for wide vectors and for any machine; which one runs is decided at load
// time. Without contraction (see CMakeLists.txt) both give the same bytes.
#if defined(__x86_64__) && defined(__GNUC__) && !defined(__clang__) && !defined(__SANITIZE_ADDRESS__) && \
    !defined(__SANITIZE_THREAD__)
#define RENDER_WIDE __attribute__((target_clones("arch=x86-64-v3", "default")))
#define RENDER_INLINE __attribute__((always_inline)) inline
#else
#define RENDER_WIDE
#define RENDER_INLINE inline
#endif

constexpr double kTurn = 2.0 * std::numbers::pi;
constexpr int kMaxSwirl = 24;
constexpr int kSectors = 360;

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

RENDER_INLINE void Splat(FloatImage& image, float x, float y, float weight) {
  if (!(x >= 0.0F && y >= 0.0F && x < static_cast<float>(image.width - 1) &&
        y < static_cast<float>(image.height - 1)))
    return;
  const int ix = static_cast<int>(x);
  const int iy = static_cast<int>(y);
  const float dx = x - static_cast<float>(ix);
  const float dy = y - static_cast<float>(iy);
  float* top = image.Row(iy) + ix;
  float* bottom = top + image.width;
  const float a = weight * (1.0F - dy);
  const float b = weight * dy;
  top[0] += a * (1.0F - dx);
  top[1] += a * dx;
  bottom[0] += b * (1.0F - dx);
  bottom[1] += b * dx;
}

// A disc with a soft edge; below a pixel or so, its area on four pixels.
void AddDisc(FloatImage& image, double x, double y, double radius_px, double depth) {
  if (radius_px < 0.8) {
    Splat(image, static_cast<float>(x), static_cast<float>(y),
          static_cast<float>(depth * std::numbers::pi * radius_px * radius_px));
    return;
  }
  const int x0 = std::max(0, static_cast<int>(std::floor(x - radius_px - 1.0)));
  const int x1 = std::min(image.width - 1, static_cast<int>(std::ceil(x + radius_px + 1.0)));
  const int y0 = std::max(0, static_cast<int>(std::floor(y - radius_px - 1.0)));
  const int y1 = std::min(image.height - 1, static_cast<int>(std::ceil(y + radius_px + 1.0)));
  for (int j = y0; j <= y1; ++j) {
    float* row = image.Row(j);
    for (int i = x0; i <= x1; ++i) {
      const double cover =
          std::clamp(radius_px + 0.5 - std::sqrt((i - x) * (i - x) + (j - y) * (j - y)), 0.0, 1.0);
      row[i] += static_cast<float>(cover * depth);
    }
  }
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

// Where the continuous sheet ends, around the cone: 360 sectors and the first one again.
std::vector<float> RimTable(const Spray& spray, const Instant& now) {
  std::vector<float> rim = spray.BreakupLogs(kSectors, now.travel_mm, now.breakup_mm);
  for (float& v : rim) v = static_cast<float>(now.breakup_mm * std::exp(static_cast<double>(v)));
  rim.push_back(rim.front());
  return rim;
}

double RimAt(const std::vector<float>& rim, double turn) {
  const double place = (turn - std::floor(turn)) * (static_cast<double>(rim.size()) - 1.0);
  const auto k = std::min(static_cast<std::size_t>(place), rim.size() - 2);
  const double rest = place - static_cast<double>(k);
  return static_cast<double>(rim[k]) * (1.0 - rest) + static_cast<double>(rim[k + 1]) * rest;
}

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
  const float step = static_cast<float>(kSectors) / static_cast<float>(n);
  const int last = kSectors - 1;
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

// A disc of even depth carried from a to b during the exposure: each pixel gets the depth times the part of
// the time for which the disc covers it.
RENDER_WIDE void AddStreak(FloatImage& image, Pixel a, Pixel b, double radius_px, double depth) {
  const double length = std::sqrt((b.x - a.x) * (b.x - a.x) + (b.y - a.y) * (b.y - a.y));
  if (radius_px < 0.8) {
    const int steps = std::clamp(static_cast<int>(std::ceil(length)), 1, 400);
    const auto w = static_cast<float>(depth * std::numbers::pi * radius_px * radius_px / steps);
    for (int i = 0; i < steps; ++i) {
      const double t = (i + 0.5) / steps;
      Splat(image, static_cast<float>(a.x + t * (b.x - a.x)), static_cast<float>(a.y + t * (b.y - a.y)), w);
    }
    return;
  }
  if (length < 0.7) {
    AddDisc(image, 0.5 * (a.x + b.x), 0.5 * (a.y + b.y), radius_px, depth);
    return;
  }
  const double ux = (b.x - a.x) / length;
  const double uy = (b.y - a.y) / length;
  const double r2 = radius_px * radius_px;
  const int y0 = std::max(0, static_cast<int>(std::ceil(std::min(a.y, b.y) - radius_px)));
  const int y1 = std::min(image.height - 1, static_cast<int>(std::floor(std::max(a.y, b.y) + radius_px)));
  for (int y = y0; y <= y1; ++y) {
    // Columns within the radius of the path's line.
    double x_low = std::min(a.x, b.x) - radius_px;
    double x_high = std::max(a.x, b.x) + radius_px;
    if (std::abs(uy) > 0.05) {
      const double middle = a.x + (y - a.y) * ux / uy;
      x_low = std::max(x_low, middle - radius_px / std::abs(uy));
      x_high = std::min(x_high, middle + radius_px / std::abs(uy));
    }
    float* row = image.Row(y);
    const int x1 = std::min(image.width - 1, static_cast<int>(std::floor(x_high)));
#pragma GCC ivdep
    for (int x = std::max(0, static_cast<int>(std::ceil(x_low))); x <= x1; ++x) {
      const double along = (x - a.x) * ux + (y - a.y) * uy;
      const double aside = (x - a.x) * uy - (y - a.y) * ux;
      const double chord2 = r2 - aside * aside;
      const double chord = std::sqrt(std::max(chord2, 0.0));
      const double covered = std::min(along + chord, length) - std::max(along - chord, 0.0);
      row[x] += chord2 > 0.0 && covered > 0.0 ? static_cast<float>(depth * covered / length) : 0.0F;
    }
  }
}

}  // namespace

void FloatImage::Reset(int w, int h) {
  width = w;
  height = h;
  value.assign(static_cast<std::size_t>(w) * static_cast<std::size_t>(h), 0.0F);
}

double FloatImage::At(double x, double y) const {
  if (!(x >= 0.0 && y >= 0.0 && x < width - 1 && y < height - 1)) return 0.0;
  const int ix = static_cast<int>(x);
  const int iy = static_cast<int>(y);
  const double dx = x - ix;
  const double dy = y - iy;
  const float* a = Row(iy) + ix;
  const float* b = a + width;
  return (a[0] * (1.0 - dx) + a[1] * dx) * (1.0 - dy) + (b[0] * (1.0 - dx) + b[1] * dx) * dy;
}

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

  std::vector<float> rim_mm = RimTable(spray, now);
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
      if (ring_number++ % kRingsARim == 0) rim_mm = RimTable(spray, ring);
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

void AddDrops(const Spray& spray, const Camera& camera, const FilmLook& look, const Instant& now,
              double exposure_s, Pixel shift, FloatImage& image) {
  const SpraySetting& set = spray.setting;
  if (!(set.drops_per_mm > 0.0)) return;
  const double scale = camera.PxPerMmAtExit();
  const double smear_mm = 1e3 * exposure_s * now.axial_m_s;
  const std::vector<float> rim_mm = RimTable(spray, now);
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

void SignalFromDepth(FloatImage& depth, double blur_px) {
  cv::Mat image(depth.height, depth.width, CV_32F, depth.value.data());
  for (float& v : depth.value) v = v > 0.0F ? -v : 0.0F;
  cv::exp(image, image);
  for (float& v : depth.value) v = 1.0F - v;
  if (blur_px > 0.05) {
    const int size = 2 * static_cast<int>(std::ceil(3.2 * blur_px)) + 1;
    cv::GaussianBlur(image, image, cv::Size(size, size), blur_px, blur_px, cv::BORDER_REPLICATE);
  }
}

}  // namespace conebook::render
