#include "render/spray.h"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <numeric>

#include "render/random.h"

namespace conebook::render {
namespace {

constexpr double kTurn = 2.0 * std::numbers::pi;

// White noise, smoothed by three passes of a box both ways round, then given a uniform distribution by rank.
Texture MakeTexture(int width, int height, Random random) {
  Texture texture{width, height, {}};
  const auto size = static_cast<std::size_t>(width) * static_cast<std::size_t>(height);
  std::vector<float> a(size), b(size);
  for (float& v : a) v = static_cast<float>(random.Unit() - 0.5);
  const auto at = [&](std::vector<float>& image, int x, int y) -> float& {
    const int xx = (x % width + width) % width;
    const int yy = (y % height + height) % height;
    return image[static_cast<std::size_t>(yy) * static_cast<std::size_t>(width) +
                 static_cast<std::size_t>(xx)];
  };
  for (int pass = 0; pass < 3; ++pass) {
    for (int y = 0; y < height; ++y)
      for (int x = 0; x < width; ++x) at(b, x, y) = at(a, x - 1, y) + at(a, x, y) + at(a, x + 1, y);
    for (int y = 0; y < height; ++y)
      for (int x = 0; x < width; ++x) at(a, x, y) = at(b, x, y - 1) + at(b, x, y) + at(b, x, y + 1);
  }
  std::vector<std::size_t> order(size);
  std::iota(order.begin(), order.end(), std::size_t{0});
  std::stable_sort(order.begin(), order.end(), [&](std::size_t i, std::size_t j) { return a[i] < a[j]; });
  texture.value.resize(size);
  for (std::size_t rank = 0; rank < size; ++rank)
    texture.value[order[rank]] = (static_cast<float>(rank) + 0.5F) / static_cast<float>(size);
  return texture;
}

}  // namespace

Spray::Spray(const SpraySetting& given) : setting(given) {
  Random random(setting.seed, "waves");
  double power = 0.0;
  for (int i = 0; i < setting.wave_modes; ++i) {
    Mode mode{};
    const double length_mm = setting.wave_length_mm * std::exp(0.28 * random.Normal());
    mode.wave_rad_mm = kTurn / length_mm;
    mode.speed = random.Uniform(0.92, 1.04);
    mode.phase = random.Uniform(0.0, kTurn);
    // Axisymmetric and low modes carry most, as a swirling sheet shows.
    mode.swirl = static_cast<int>(std::lround(random.Normal() * 0.5 * setting.wave_swirl));
    mode.share = random.Uniform(0.6, 1.4) / (1.0 + 0.15 * std::abs(mode.swirl));
    power += 0.5 * mode.share * mode.share;
    modes.push_back(mode);
  }
  for (Mode& mode : modes) mode.share /= std::sqrt(power);

  Random ripple(setting.seed, "breakup");
  constexpr int kRipples = 48;
  const double turns = kTurn / (setting.breakup_patch_deg * std::numbers::pi / 180.0) / 2.5;
  for (int i = 0; i < kRipples; ++i) {
    ripples_.push_back({static_cast<int>(std::lround(turns * ripple.Normal())), 5.0 * ripple.Normal(),
                        ripple.Uniform(0.0, kTurn)});
  }

  const double tan_a = std::tan(setting.half_angle_deg * std::numbers::pi / 180.0);
  const double around_mm = kTurn * RadiusAt(setting.breakup_mm, tan_a);
  const int around =
      std::clamp(static_cast<int>(std::lround(4.0 * around_mm / setting.ligament_pitch_mm)), 32, 1024);
  net = MakeTexture(around, 256, Random(setting.seed, "net"));
  skin = MakeTexture(2 * around, 256, Random(setting.seed, "skin"));
}

double Spray::WaveSpeedPart() const {
  double power = 0.0, sum = 0.0;
  for (const Mode& mode : modes) {
    power += mode.share * mode.share;
    sum += mode.share * mode.share * mode.speed;
  }
  return power > 0.0 ? sum / power : 1.0;
}

double Spray::BreakupLog(double phi_rad, double travel_mm, double breakup_mm) const {
  const double way = travel_mm / breakup_mm;
  double sum = 0.0;
  for (const Ripple& r : ripples_) sum += std::cos(r.turns * phi_rad + r.per_breakup * way + r.phase);
  return setting.breakup_scatter * sum * std::sqrt(2.0 / static_cast<double>(ripples_.size()));
}

std::vector<float> Spray::BreakupLogs(int count, double travel_mm, double breakup_mm) const {
  const auto n = static_cast<std::size_t>(count);
  std::vector<double> sum(n, 0.0);
  const double way = travel_mm / breakup_mm;
  for (const Ripple& r : ripples_) {
    // Turning a unit vector step by step; over 360 steps it stays a unit vector to 1e-13.
    const double step = kTurn * r.turns / count;
    const double cs = std::cos(step);
    const double sn = std::sin(step);
    double c = std::cos(r.per_breakup * way + r.phase);
    double s = std::sin(r.per_breakup * way + r.phase);
    for (double& v : sum) {
      v += c;
      const double next = c * cs - s * sn;
      s = s * cs + c * sn;
      c = next;
    }
  }
  std::vector<float> out;
  const double factor = setting.breakup_scatter * std::sqrt(2.0 / static_cast<double>(ripples_.size()));
  for (const double v : sum) out.push_back(static_cast<float>(factor * v));
  return out;
}

double Spray::BreakupAt(double phi_rad, const Instant& now) const {
  return now.breakup_mm * std::exp(BreakupLog(phi_rad, now.travel_mm, now.breakup_mm));
}

double Spray::RadiusAt(double z_mm, double tan_a, double closes_mm) const {
  const double bell = closes_mm > 0.0 ? std::max(0.0, 1.0 - z_mm / closes_mm) : 1.0;
  return std::hypot(setting.r0_mm, z_mm * bell * tan_a);
}

double Spray::SlopeAt(double z_mm, double tan_a, double closes_mm) const {
  const double radius = RadiusAt(z_mm, tan_a, closes_mm);
  if (!(closes_mm > 0.0)) return z_mm * tan_a * tan_a / radius;
  if (z_mm >= closes_mm) return 0.0;
  const double part = z_mm / closes_mm;
  return z_mm * (1.0 - part) * (1.0 - 2.0 * part) * tan_a * tan_a / radius;
}

std::vector<float> Spray::RimAround(const Instant& now) const {
  std::vector<float> rim = BreakupLogs(kRimSectors, now.travel_mm, now.breakup_mm);
  for (float& v : rim) v = static_cast<float>(now.breakup_mm * std::exp(static_cast<double>(v)));
  rim.push_back(rim.front());
  return rim;
}

double RimAt(const std::vector<float>& rim_mm, double turn) {
  const double place = (turn - std::floor(turn)) * (static_cast<double>(rim_mm.size()) - 1.0);
  const auto k = std::min(static_cast<std::size_t>(place), rim_mm.size() - 2);
  const double rest = place - static_cast<double>(k);
  return static_cast<double>(rim_mm[k]) * (1.0 - rest) + static_cast<double>(rim_mm[k + 1]) * rest;
}

}  // namespace conebook::render
