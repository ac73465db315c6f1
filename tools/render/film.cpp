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

void Splat(FloatImage& image, double x, double y, float weight) {
  if (!(x >= 0.0 && y >= 0.0 && x < image.width - 1 && y < image.height - 1)) return;
  const int ix = static_cast<int>(x);
  const int iy = static_cast<int>(y);
  const auto dx = static_cast<float>(x - ix);
  const auto dy = static_cast<float>(y - iy);
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
    Splat(image, x, y, static_cast<float>(depth * std::numbers::pi * radius_px * radius_px));
    return;
  }
  const int x0 = std::max(0, static_cast<int>(std::floor(x - radius_px - 1.0)));
  const int x1 = std::min(image.width - 1, static_cast<int>(std::ceil(x + radius_px + 1.0)));
  const int y0 = std::max(0, static_cast<int>(std::floor(y - radius_px - 1.0)));
  const int y1 = std::min(image.height - 1, static_cast<int>(std::ceil(y + radius_px + 1.0)));
  for (int j = y0; j <= y1; ++j) {
    float* row = image.Row(j);
    for (int i = x0; i <= x1; ++i) {
      const double cover = std::clamp(radius_px + 0.5 - std::hypot(i - x, j - y), 0.0, 1.0);
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

void AddSheet(const Spray& spray, const Camera& camera, const FilmLook& look, const Instant& now,
              double weight, double pitch_px, Pixel shift, FloatImage& image, SheetExtent* extent) {
  const SpraySetting& set = spray.setting;
  const double scale = camera.PxPerMmAtExit();
  double tan_a = now.tan_a;
  const double cos_a = 1.0 / std::sqrt(1.0 + tan_a * tan_a);
  const double step_mm = pitch_px * cos_a / scale;

  // Where the sheet ends, around the cone.
  constexpr int kSectors = 360;
  std::array<float, kSectors + 1> rim_mm{};
  float nearest = 1e9F;
  float farthest = 0.0F;
  for (int k = 0; k < kSectors; ++k) {
    const auto z = static_cast<float>(spray.BreakupAt(kTurn * k / kSectors, now));
    rim_mm[static_cast<std::size_t>(k)] = z;
    nearest = std::min(nearest, z);
    farthest = std::max(farthest, z);
  }
  rim_mm[kSectors] = rim_mm[0];
  const double reach = set.solid_jet ? 0.05 : set.ligament_reach;
  const double last_mm =
      std::min({now.front_mm, static_cast<double>(farthest) * (1.0 + 1.6 * reach), set.view_mm});

  const double f2 = camera.focal_px * camera.focal_px;
  const double view_scale2 = scale * scale;
  const double light_x = std::sin(0.9 * look.light_side);
  const double light_z = -std::cos(0.9 * look.light_side);
  const Vec3 light{0.8 * light_x, -0.6, 0.8 * light_z};
  const Vec3 half_raw = light + Vec3{0.0, 0.0, -1.0};
  const Vec3 half = (1.0 / Length(half_raw)) * half_raw;
  const double rim_band_mm = 0.25 * set.ligament_pitch_mm;
  const auto net_around = static_cast<double>(spray.net.width);
  const auto skin_around = static_cast<double>(spray.skin.width);
  const double pitch_mm = 0.25 * set.ligament_pitch_mm;

  std::vector<float> eta, eta_z, eta_phi;
  std::uint64_t jitter = Mix(set.seed ^ static_cast<std::uint64_t>(std::llround(now.travel_mm * 1e6)));
  jitter = Mix(jitter);
  double z = step_mm * UnitFromBits(jitter);
  for (; z < last_mm; z += step_mm) {
    if (set.pulsation_deg > 0.0) {
      const double delay_s = 1e-3 * z / now.axial_m_s;
      tan_a =
          std::tan(std::atan(now.tan_a) + set.pulsation_deg * std::numbers::pi / 180.0 *
                                              std::sin(kTurn * set.pulsation_hz * (now.time_s - delay_s)));
    }
    const double radius = spray.RadiusAt(z, tan_a);
    const double slope = z * tan_a * tan_a / radius;
    const int count = PointsAround(kTurn * radius * scale / pitch_px);
    const Circle& circle = CircleOf(count);
    const auto n = static_cast<std::size_t>(count);
    eta.assign(n, 0.0F);
    eta_z.assign(n, 0.0F);
    eta_phi.assign(n, 0.0F);
    const double part = std::min(z / now.breakup_mm, 1.2);
    const double grown = set.wave_mm * std::exp(set.wave_growth * (part - 1.0));
    const auto growth = static_cast<float>(part < 1.2 ? set.wave_growth / now.breakup_mm : 0.0);
    if (grown * scale > 0.02) {
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
        for (std::size_t j = 0; j < n; ++j) {
          const float even = cm[j] * c - sign * sm[j] * s;
          const float odd = sign * sm[j] * c + cm[j] * s;
          eta[j] += even;
          eta_z[j] += growth * even - k * odd;
          eta_phi[j] -= m * odd;
        }
      }
    }
    const double dphi = kTurn / count;
    const bool near_rim = z > 0.72 * nearest;
    const double swirl_phi = std::atan(z * tan_a / set.r0_mm);
    const double texture_row = (z - now.travel_mm) / pitch_mm;
    const bool lost_here = look.lost_side != 0.0;
    const double lost =
        lost_here ? 1.0 - 0.985 * SmoothBox(z / now.breakup_mm, look.lost_from, look.lost_to) : 1.0;
    const Vec3 centre = camera.exit_mm + z * camera.axis;
    const float* c1 = circle.cosine[1].data();
    const float* s1 = circle.sine[1].data();
    jitter = Mix(jitter);
    for (std::size_t j = 0; j < n; ++j) {
      const auto cp = static_cast<double>(c1[j]);
      const auto sp = static_cast<double>(s1[j]);
      const double turn = static_cast<double>(j) / count;
      double thick = 1.0;
      bool sheet = true;
      double solid = 0.0;  // ligaments and rims are thick: they look like drops
      const double skin_value =
          static_cast<double>(spray.skin.At((turn - swirl_phi / kTurn) * skin_around, 2.0 * texture_row));
      thick += look.streak * (skin_value - 0.5);
      if (near_rim) {
        const double sector = turn * kSectors;
        const auto k = static_cast<std::size_t>(sector);
        const double rest = sector - static_cast<double>(k);
        double end_mm =
            static_cast<double>(rim_mm[k]) * (1.0 - rest) + static_cast<double>(rim_mm[k + 1]) * rest;
        const double net_value =
            static_cast<double>(spray.net.At((turn - swirl_phi / kTurn) * net_around, texture_row));
        end_mm *= 1.0 + 0.10 * (net_value - 0.5);  // a ragged rim; its median stays
        const double q = z / end_mm;
        if (q < 1.0) {
          const double open = std::max(0.0, (q - 0.75) / 0.25);
          if (skin_value > 1.0 - 0.07 * open * open && q < 0.97) continue;  // small holes before the rim
          if (end_mm - z < rim_band_mm) solid = 0.5;
        } else {
          sheet = false;
          const double gone = (q - 1.0) / (reach * (0.5 + 1.1 * skin_value));
          if (gone > 1.0) continue;
          const double string = std::abs(net_value - 0.5);
          if (string > 0.13 * (1.0 - 0.6 * gone)) continue;
          thick *= 2.5;
          solid = 1.0;
        }
      }
      const double r = radius + static_cast<double>(eta[j]);
      if (!(r > 0.02 * set.r0_mm)) continue;
      const double fz = slope + static_cast<double>(eta_z[j]);
      const double fp = static_cast<double>(eta_phi[j]) / r;
      const Vec3 rho = cp * camera.right + sp * camera.away;
      const Vec3 tangent = cp * camera.away - sp * camera.right;
      const Vec3 point = centre + r * rho;
      const Vec3 normal = rho - fz * camera.axis - fp * tangent;
      const double normal_length = std::sqrt(1.0 + fz * fz + fp * fp);
      double facing = 0.0;
      double cosine = 0.0;
      double area_px2 = 0.0;
      if (camera.orthographic) {
        facing = normal.z;
        cosine = std::abs(facing) / normal_length;
        area_px2 = r * dphi * step_mm * std::abs(facing) * view_scale2;
      } else {
        facing = Dot(normal, point);
        cosine = std::abs(facing) / (normal_length * Length(point));
        area_px2 = r * dphi * step_mm * std::abs(facing) * f2 / (point.z * point.z * point.z);
      }
      const double grazing = 1.0 - cosine;
      double depth = 0.0;
      if (look.film == Film::kGrey) {
        const double wall = look.wall_depth * (set.solid_jet ? 4.0 : set.r0_mm / r) * thick;
        depth = wall / std::max(cosine, 1e-3);
        if (look.frontlit) depth *= 1.0 + 0.35 * look.light_side * cp;
        depth += 0.5 * solid * look.wall_depth;
      } else {
        const double g3 = grazing * grazing * grazing;
        double limb =
            look.limb_depth * g3 * (look.limb_softness + (1.0 - look.limb_softness) * grazing * grazing);
        if (look.frontlit) {
          limb *= 1.0 + 0.6 * look.light_side * cp;
          if (lost_here && look.lost_side * cp > 0.0) limb *= lost;
        }
        depth = limb + look.interior_depth * thick * (1.0 + 6.0 * std::max(0.0, skin_value - 0.85)) +
                0.6 * solid * look.limb_depth;
      }
      if (look.glint > 0.0) {
        const double mirror = std::abs(Dot(normal, half)) / normal_length;
        double s = mirror * mirror;
        s *= s;
        s *= s;
        s *= s;
        s *= s;  // power 32
        depth += look.glint * s * s * s;
      }
      const Pixel px = camera.Project(point);
      const double x = px.x + shift.x;
      const double y = px.y + shift.y;
      Splat(image, x, y, static_cast<float>(weight * depth * area_px2));
      if (extent != nullptr && sheet) {
        const double down =
            (x - extent->origin.x) * extent->along.x + (y - extent->origin.y) * extent->along.y;
        const auto side = static_cast<float>((x - extent->origin.x) * extent->across.x +
                                             (y - extent->origin.y) * extent->across.y);
        const auto row = static_cast<std::int64_t>(std::floor(down + 0.5));
        if (row >= 0 && row < static_cast<std::int64_t>(extent->seen.size())) {
          const auto i = static_cast<std::size_t>(row);
          extent->seen[i] = 1;
          extent->right[i] = std::max(extent->right[i], side);
          extent->left[i] = std::max(extent->left[i], -side);
        }
      }
    }
  }
}

void AddDrops(const Spray& spray, const Camera& camera, const FilmLook& look, const Instant& now,
              double exposure_s, Pixel shift, FloatImage& image) {
  const SpraySetting& set = spray.setting;
  if (!(set.drops_per_mm > 0.0)) return;
  const double scale = camera.PxPerMmAtExit();
  const double smear_mm = 1e3 * exposure_s * now.axial_m_s;
  const auto first = static_cast<std::int64_t>(
      std::floor(std::max(now.travel_mm - set.view_mm, now.travel_mm - now.front_mm) * set.drops_per_mm));
  const auto last = static_cast<std::int64_t>(std::floor(now.travel_mm * set.drops_per_mm));
  for (std::int64_t k = first; k <= last; ++k) {
    Hashed draw(set.seed, k);
    const double left_exit_mm = (static_cast<double>(k) + draw.Unit()) / set.drops_per_mm;
    const double gone_mm = now.travel_mm - left_exit_mm;  // axial way since the exit
    const double phi = kTurn * draw.Unit();
    const double late = std::abs(draw.Normal());
    const double size = draw.Normal();
    const double aside = draw.Normal();
    const double ahead = draw.Normal();
    const double lift = draw.Normal();
    const bool stray = draw.Unit() < set.stray_share;
    const double speed = 1.0 + 0.06 * draw.Normal();
    if (gone_mm <= 0.5 * now.breakup_mm) continue;
    const double born_mm = spray.BreakupAt(phi, now) * (1.0 + 0.5 * set.ligament_reach * late) *
                           (stray ? 0.6 + 0.3 * draw.Unit() : 1.0);
    if (gone_mm < born_mm || gone_mm > now.front_mm) continue;
    // Straight path from the exit's circle; from birth on, a little aside of it.
    const double rad = (stray ? set.stray_scatter_deg : set.drop_scatter_deg) * std::numbers::pi / 180.0;
    const Vec3 rho = std::cos(phi) * camera.right + std::sin(phi) * camera.away;
    const Vec3 tangent = std::cos(phi) * camera.away - std::sin(phi) * camera.right;
    const double after_mm = gone_mm - born_mm;
    const double path = std::sqrt(1.0 + now.tan_a * now.tan_a);
    const Vec3 velocity = camera.axis + now.tan_a * tangent;
    // Local outward direction where it was born, for the wave's throw.
    const double turn_born = std::atan(born_mm * now.tan_a / set.r0_mm);
    const Vec3 outward = std::cos(turn_born) * rho + std::sin(turn_born) * tangent;
    const Vec3 swing = rad * path * (aside * outward + ahead * Cross(outward, (1.0 / path) * velocity));
    const Vec3 start = camera.exit_mm + set.r0_mm * rho + born_mm * velocity + set.wave_mm * lift * outward;
    const Vec3 drift = speed * velocity + swing;
    const double radius_mm = 0.5e-3 * set.drop_um * std::exp(set.drop_spread * size);
    const Pixel a = camera.Project(start + (after_mm - 0.5 * smear_mm) * drift);
    const Pixel b = camera.Project(start + (after_mm + 0.5 * smear_mm) * drift);
    const double radius_px = radius_mm * scale;
    const double streak_px = std::hypot(b.x - a.x, b.y - a.y);
    const double margin = radius_px + 2.0;
    if (std::min(a.x, b.x) > image.width + margin || std::max(a.x, b.x) < -margin ||
        std::min(a.y, b.y) > image.height + margin || std::max(a.y, b.y) < -margin) {
      continue;
    }
    const int steps =
        std::clamp(static_cast<int>(std::ceil(streak_px / std::max(0.8, 0.6 * radius_px))), 1, 60);
    const double depth = look.drop_depth / steps;
    for (int i = 0; i < steps; ++i) {
      const double t = (i + 0.5) / steps;
      const double x = a.x + t * (b.x - a.x) + shift.x;
      const double y = a.y + t * (b.y - a.y) + shift.y;
      if (look.frontlit) {
        // A clear drop shows the lamp as a spot off its centre, and little else.
        AddDisc(image, x, y, radius_px, 0.12 * depth);
        AddDisc(image, x + 0.45 * radius_px * look.light_side, y - 0.3 * radius_px, 0.35 * radius_px, depth);
      } else {
        AddDisc(image, x, y, radius_px, depth);
        // It is a lens: its middle passes the light behind it.
        if (radius_px > 3.0) AddDisc(image, x, y, 0.32 * radius_px, -0.85 * depth);
      }
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
