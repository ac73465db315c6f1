#include "render/recorder.h"

#include <algorithm>
#include <cmath>
#include <numbers>

#include <opencv2/core.hpp>
#include <opencv2/imgproc.hpp>

#include "render/faults.h"
#include "render/random.h"
#include "render/stand.h"

namespace conebook::render {
namespace {

constexpr double kTurn = 2.0 * std::numbers::pi;
constexpr int kNoiseTable = 1 << 17;
constexpr int kCurve = 4096;

void Blur(FloatImage& image, double sd_px) {
  cv::Mat view(image.height, image.width, CV_32F, image.value.data());
  const int size = 2 * static_cast<int>(std::ceil(3.2 * sd_px)) + 1;
  cv::GaussianBlur(view, view, cv::Size(size, size), sd_px, sd_px, cv::BORDER_REPLICATE);
}

double Inside(double x, double half_width) {
  return std::clamp(half_width - std::abs(x) + 0.5, 0.0, 1.0);
}

}  // namespace

double Bt709(double linear) {
  const double v = std::clamp(linear, 0.0, 1.0);
  return v < 0.018 ? 4.5 * v : 1.099 * std::pow(v, 0.45) - 0.099;
}

double Recorder::Pattern(double x, double y) const {
  double sum = 0.0;
  for (const Wave& w : pattern_) sum += w.share * std::cos(w.x * x + w.y * y + w.phase);
  return sum;
}

Recorder::Recorder(const Scene& scene, const Camera& camera) : scene_(scene) {
  const RecordingSetting& rec = scene.recording;
  Random random(scene.seed, "background");
  for (int i = 0; i < 14; ++i) {
    const double length = random.LogUniform(70.0, 900.0);
    const double turn = random.Uniform(0.0, kTurn);
    pattern_.push_back({kTurn / length * std::cos(turn), kTurn / length * std::sin(turn),
                        random.Uniform(0.0, kTurn), 0.3 * std::sqrt(length / 900.0)});
  }
  for (int i = 0; i < 7; ++i) {
    bars_.push_back({random.Uniform(-0.1, 1.0) * rec.width, random.Uniform(-0.1, 1.0) * rec.height,
                     random.LogUniform(4.0, 200.0), random.LogUniform(20.0, 500.0),
                     random.Uniform(-0.7, 1.2)});
  }
  for (int i = 0; i < 6; ++i) {
    const double length = random.LogUniform(120.0, 700.0);
    const double turn = random.Uniform(0.0, kTurn);
    mist_.push_back({kTurn / length * std::cos(turn), kTurn / length * std::sin(turn),
                     random.Uniform(0.0, kTurn), random.Uniform(0.5, 3.0)});
  }
  if (rec.moving > 0.0) {
    for (const Wave& m : mist_) {
      for (int x = 0; x < rec.width; ++x)
        moving_.emplace_back(std::cos(3.0 * m.x * x), std::sin(3.0 * m.x * x));
    }
  }
  for (int i = 0; i < rec.window_drops; ++i) {
    const bool late = i % 4 == 3;
    specks_.push_back({random.Uniform(0.0, rec.width), random.Uniform(0.0, rec.height),
                       random.LogUniform(4.0, 22.0),
                       late ? random.Uniform(0.1, 0.9) * rec.frames / rec.fps : -1e9});
  }
  for (int i = 0; i < 4; ++i) {
    const double size = rec.shake_px * std::sqrt(2.0 / 4.0);
    swings_.push_back({random.LogUniform(0.6, 8.0), size * random.Normal(), size * random.Normal(),
                       random.Uniform(0.0, kTurn), random.Uniform(0.0, kTurn)});
  }

  const bool frontlit = scene.light == "frontlit";
  const int width = rec.width + 2 * margin_;
  const int height = rec.height + 2 * margin_;
  light_.Reset(width, height);
  body_.Reset(width, height);
  open_.Reset(width, height);
  const Pixel exit = camera.Project(camera.exit_mm);
  const Pixel ahead = camera.Project(camera.exit_mm + 0.01 * camera.axis);
  const double length = std::hypot(ahead.x - exit.x, ahead.y - exit.y);
  const Pixel along{(ahead.x - exit.x) / length, (ahead.y - exit.y) / length};
  const double diameter_px = 2.0 * scene.spray.exit_radius_mm * camera.PxPerMmAtExit();
  const double slope_turn = random.Uniform(0.0, kTurn);
  const double tip_length_px = diameter_px * random.Uniform(1.2, 3.5);
  const double reflex = random.Uniform(-0.5, 0.5);
  const double recess_px = rec.faults.recess_mm * camera.PxPerMmAtExit();
  const bool gives_way = rec.faults.step_x_px != 0.0 || rec.faults.step_y_px != 0.0;
  exit_ = exit;
  along_ = along;
  diameter_px_ = diameter_px;
  AddEdgeDrops(camera);
  for (int j = 0; j < height; ++j) {
    for (int i = 0; i < width; ++i) {
      const double x = i - margin_;
      const double y = j - margin_;
      const double u = x / rec.width - 0.5;
      const double v = y / rec.height - 0.5;
      double field = 0.0;
      if (frontlit) {
        double level = 1.0 + rec.structure * Pattern(x, y);
        for (const Bar& bar : bars_) {
          level += rec.structure * bar.level * Inside(x - bar.x, 0.5 * bar.width) *
                   Inside(y - bar.y, 0.5 * bar.height);
        }
        field = rec.background * std::max(level, 0.08);
      } else {
        const double tilt = u * std::cos(slope_turn) + v * std::sin(slope_turn);
        field = rec.field * std::max(0.02, 1.0 + rec.field_slope * (tilt - 1.2 * (u * u + v * v)) +
                                               0.015 * rec.structure * Pattern(x, y));
      }
      const double side = (x - exit.x) * along.y - (y - exit.y) * along.x;
      const double down = (x - exit.x) * along.x + (y - exit.y) * along.y;
      // The tip, a little rounded at its edge, and the holder above it.
      const double tip_half = 0.5 * rec.tip * diameter_px;
      const double bevel = 0.25 * (tip_half - 0.5 * diameter_px);
      double solid =
          std::clamp(0.5 - down, 0.0, 1.0) * Inside(side, tip_half - 0.7 * std::max(0.0, bevel + down));
      double shade = 1.0 + 0.5 * std::cos(std::clamp(side / tip_half - reflex, -1.0, 1.0) * 3.0);
      if (rec.holder > 0.0) {
        const double half = 0.5 * rec.holder * diameter_px;
        const double block = std::clamp(0.5 - down - tip_length_px, 0.0, 1.0) * Inside(side, half);
        if (block > solid) shade = 0.8 + 0.4 * std::cos(std::clamp(side / half - reflex, -1.0, 1.0) * 2.6);
        solid = std::max(solid, block);
      }
      if (rec.faults.recess_mm > 0.0) {
        const double wall = Inside(std::abs(side) - 4.0 * diameter_px, 2.5 * diameter_px);
        solid = std::max(solid, wall * std::clamp(recess_px - down + 0.5, 0.0, 1.0));
      }
      light_.Row(j)[i] = static_cast<float>(gives_way ? field : field * (1.0 - solid));
      open_.Row(j)[i] = static_cast<float>(1.0 - solid);
      body_.Row(j)[i] = static_cast<float>(solid * rec.body * (frontlit ? shade : 0.8 + 0.2 * shade));
    }
  }
  const double sd = std::hypot(scene.look.blur_px, rec.defocus_px);
  Blur(light_, sd);
  Blur(open_, sd);
  Blur(body_, sd);

  vignette_.Reset(rec.width, rec.height);
  for (int j = 0; j < rec.height; ++j) {
    for (int i = 0; i < rec.width; ++i) {
      const double u = 2.0 * i / rec.width - 1.0;
      const double v = 2.0 * j / rec.height - 1.0;
      const double r2 = 0.5 * (u * u + v * v);
      vignette_.Row(j)[i] = static_cast<float>(1.0 - rec.vignetting * r2 * (0.4 + 0.6 * r2));
    }
  }
  Random normal(scene.seed, "noise");
  noise_.reserve(kNoiseTable);
  for (int i = 0; i < kNoiseTable; ++i) noise_.push_back(static_cast<float>(normal.Normal()));
  for (int i = 0; i <= kCurve + 1; ++i)
    coded_.push_back(static_cast<float>(Bt709(static_cast<double>(i) / kCurve)));
}

Pixel Recorder::Shake(double time_s) const {
  Pixel shift;
  if (!(scene_.recording.shake_px > 0.0)) return shift;
  for (const Swing& swing : swings_) {
    shift.x += swing.x * std::sin(kTurn * swing.hz * time_s + swing.phase_x);
    shift.y += swing.y * std::sin(kTurn * swing.hz * time_s + swing.phase_y);
  }
  const double most = 20.0;
  return {std::clamp(shift.x, -most, most), std::clamp(shift.y, -most, most)};
}

Pixel Recorder::NozzleShift(double time_s) const {
  const FaultSetting& faults = scene_.recording.faults;
  const Pixel shake = Shake(time_s);
  if (faults.step_x_px == 0.0 && faults.step_y_px == 0.0) return shake;
  const double drop_bar = Stand(scene_.stand).DropBar(time_s + scene_.log_minus_video_s);
  // In full at the lowest level, less while the pressure rises.
  const double part = drop_bar / scene_.reference_bar;
  const double thrust = part < 1.0 ? std::max(0.0, part) : 1.0 + std::log(part) / 3.0;
  const double most = margin_ - 2.0;
  return {std::clamp(shake.x + thrust * faults.step_x_px, -most, most),
          std::clamp(shake.y + thrust * faults.step_y_px, -most, most)};
}

// Along either edge in turn, after the valve has opened.
void Recorder::AddEdgeDrops(const Camera& camera) {
  const RecordingSetting& rec = scene_.recording;
  Random random(scene_.seed, "edge drops");
  const double tan_a = std::tan(scene_.spray.half_angle_deg * std::numbers::pi / 180.0);
  for (int i = 0; i < rec.faults.edge_drops; ++i) {
    const double z = scene_.spray.breakup_mm * random.Uniform(0.2, 0.7);
    const double out = (i % 2 == 0 ? 1.0 : -1.0) *
                       (std::hypot(scene_.spray.r0_mm, z * tan_a) +
                        random.Uniform(-0.3, 0.8) * rec.faults.edge_drop_px / camera.PxPerMmAtExit());
    const Pixel at = camera.Project(camera.exit_mm + z * camera.axis + out * camera.right);
    const double after_s = random.Uniform(0.0, 0.15) * rec.frames / rec.fps;
    specks_.push_back({at.x, at.y, rec.faults.edge_drop_px, scene_.open_video_s + after_s});
  }
}

void Recorder::AddWindow(std::vector<float>& image, double time_s) const {
  const int width = scene_.recording.width;
  const int height = scene_.recording.height;
  const bool frontlit = scene_.light == "frontlit";
  for (const Speck& speck : specks_) {
    if (time_s < speck.from_s) continue;
    const int reach = static_cast<int>(speck.radius * 1.4) + 2;
    for (int y = std::max(0, static_cast<int>(speck.y) - reach);
         y < std::min(height, static_cast<int>(speck.y) + reach); ++y) {
      for (int x = std::max(0, static_cast<int>(speck.x) - reach);
           x < std::min(width, static_cast<int>(speck.x) + reach); ++x) {
        const double d = std::hypot(x - speck.x, y - speck.y) / speck.radius;
        if (d > 1.35) continue;
        // Out of focus: a soft ring, clear inside.
        const double ring = std::exp(-std::pow((d - 0.85) / 0.22, 2));
        float& v = image[static_cast<std::size_t>(y) * static_cast<std::size_t>(width) +
                         static_cast<std::size_t>(x)];
        v = frontlit ? v + static_cast<float>(0.05 * ring) : v * static_cast<float>(1.0 - 0.35 * ring);
      }
    }
  }
}

void Recorder::AddHaze(std::vector<float>& image, double time_s) const {
  const RecordingSetting& rec = scene_.recording;
  const double since_s = time_s - std::max(scene_.open_video_s, -1e3);
  if (since_s <= 0.0) return;
  const double share = rec.haze * -std::expm1(-since_s / rec.haze_rise_s);
  constexpr int kCell = 16;
  const int w = rec.width / kCell + 2;
  const int h = rec.height / kCell + 2;
  cv::Mat coarse(h, w, CV_32F);
  for (int y = 0; y < h; ++y) {
    for (int x = 0; x < w; ++x) {
      double sum = 0.0;
      for (const Wave& m : mist_)
        sum += std::cos(m.x * x * kCell + m.y * y * kCell + m.phase + m.share * time_s);
      coarse.at<float>(y, x) = static_cast<float>(share * std::clamp(0.6 + 0.25 * sum, 0.0, 1.6));
    }
  }
  cv::Mat fine;
  cv::resize(coarse, fine, cv::Size(w * kCell, h * kCell), 0.0, 0.0, cv::INTER_LINEAR);
  const bool frontlit = scene_.light == "frontlit";
  const auto veil = static_cast<float>(frontlit ? 0.6 * rec.field : 0.35 * rec.field);
  for (int y = 0; y < rec.height; ++y) {
    const float* f = fine.ptr<float>(y);
    float* row = image.data() + static_cast<std::size_t>(y) * static_cast<std::size_t>(rec.width);
    for (int x = 0; x < rec.width; ++x) row[x] = row[x] * (1.0F - f[x]) + veil * f[x];
  }
}

// A curtain in the draught, leaves in the wind: what shines past the liquid changes from place to place.
void Recorder::AddMoving(std::vector<float>& image, const FloatImage& signal, double time_s) const {
  const RecordingSetting& rec = scene_.recording;
  const bool frontlit = scene_.light == "frontlit";
  const double length_s = rec.frames / rec.fps;
  const auto add = static_cast<float>(rec.background + 0.1 * rec.field);
  std::vector<float> across(static_cast<std::size_t>(rec.width));
  for (int y = 0; y < rec.height; ++y) {
    std::fill(across.begin(), across.end(), 0.0F);
    for (std::size_t k = 0; k < mist_.size(); ++k) {
      const Wave& m = mist_[k];
      const double phase = 3.0 * m.y * y + m.phase + kTurn * m.share * time_s / length_s;
      const double c = std::cos(phase);
      const double s = std::sin(phase);
      for (int x = 0; x < rec.width; ++x) {
        const auto i = k * static_cast<std::size_t>(rec.width) + static_cast<std::size_t>(x);
        across[static_cast<std::size_t>(x)] +=
            static_cast<float>(c * moving_[i].first - s * moving_[i].second);
      }
    }
    float* row = image.data() + static_cast<std::size_t>(y) * static_cast<std::size_t>(rec.width);
    const float* liquid = signal.Row(y);
    for (int x = 0; x < rec.width; ++x) {
      const float part = static_cast<float>(0.4 * rec.moving) * across[static_cast<std::size_t>(x)];
      row[x] = frontlit ? row[x] + add * std::max(part, 0.0F) * (1.0F - liquid[x])
                        : row[x] * std::max(1.0F + part, 0.0F);
    }
  }
}

void Recorder::AddWalker(std::vector<float>& image, double time_s) const {
  const RecordingSetting& rec = scene_.recording;
  const double length_s = rec.frames / rec.fps;
  const double x0 = rec.width * (-0.15 + 1.3 * time_s / length_s);
  const double size = 0.9 * rec.height;
  const double stride = std::sin(kTurn * 6.0 * time_s / length_s);
  const bool frontlit = scene_.light == "frontlit";
  const auto oval = [&](double cx, double cy, double rx, double ry) {
    for (int y = std::max(0, static_cast<int>(cy - ry));
         y < std::min(rec.height, static_cast<int>(cy + ry) + 1); ++y) {
      for (int x = std::max(0, static_cast<int>(cx - rx));
           x < std::min(rec.width, static_cast<int>(cx + rx) + 1); ++x) {
        if (std::pow((x - cx) / rx, 2) + std::pow((y - cy) / ry, 2) > 1.0) continue;
        image[static_cast<std::size_t>(y) * static_cast<std::size_t>(rec.width) +
              static_cast<std::size_t>(x)] =
            static_cast<float>(frontlit ? 0.3 * rec.field : 0.12 * rec.field);
      }
    }
  };
  oval(x0, 0.15 * size, 0.07 * size, 0.09 * size);
  oval(x0, 0.45 * size, 0.12 * size, 0.25 * size);
  oval(x0 + 0.1 * size * stride, 0.82 * size, 0.06 * size, 0.24 * size);
  oval(x0 - 0.1 * size * stride, 0.82 * size, 0.06 * size, 0.24 * size);
}

// The scene moved by the shake, the nozzle by its own shift.
void Recorder::Compose(const FloatImage& signal, double time_s, std::vector<float>& image) const {
  const RecordingSetting& rec = scene_.recording;
  const bool frontlit = scene_.light == "frontlit";
  struct Corner {  // bilinear, from the wider layers
    int x, y;
    float w00, w10, w01, w11;
    float Of(const FloatImage& layer, int i, int j) const {
      const float* a = layer.Row(j + y) + x + i;
      const float* b = layer.Row(j + y + 1) + x + i;
      return w00 * a[0] + w10 * a[1] + w01 * b[0] + w11 * b[1];
    }
  };
  const auto corner = [&](Pixel shift) {
    const double sx = margin_ - shift.x;
    const double sy = margin_ - shift.y;
    const int ix = static_cast<int>(std::floor(sx));
    const int iy = static_cast<int>(std::floor(sy));
    const auto fx = static_cast<float>(sx - ix);
    const auto fy = static_cast<float>(sy - iy);
    return Corner{ix, iy, (1.0F - fx) * (1.0F - fy), fx * (1.0F - fy), (1.0F - fx) * fy, fx * fy};
  };
  const bool gives_way = rec.faults.step_x_px != 0.0 || rec.faults.step_y_px != 0.0;
  const Corner still = corner(Shake(time_s));
  const Corner nozzle = corner(NozzleShift(time_s));
  const auto lit = static_cast<float>(rec.field);
  for (int y = 0; y < rec.height; ++y) {
    const float* s = signal.Row(y);
    const float* v = vignette_.Row(y);
    float* out = image.data() + static_cast<std::size_t>(y) * static_cast<std::size_t>(rec.width);
    for (int x = 0; x < rec.width; ++x) {
      float light = still.Of(light_, x, y);
      if (gives_way) light *= nozzle.Of(open_, x, y);
      const float body = nozzle.Of(body_, x, y);
      if (frontlit) {
        out[x] = (light * (1.0F - 0.25F * s[x]) + lit * s[x] * nozzle.Of(open_, x, y) + body) * v[x];
      } else {
        out[x] = (light * (1.0F - s[x]) + body) * v[x];
      }
    }
  }
}

// A film that creeps out over the tip's face and hangs from it.
void Recorder::AddWetFace(std::vector<float>& image, double time_s) const {
  const RecordingSetting& rec = scene_.recording;
  const double since_s = time_s - scene_.open_video_s;
  if (since_s <= 0.0) return;
  const double per_mm = diameter_px_ / (2.0 * scene_.spray.exit_radius_mm);
  const double out_px = 0.5 * diameter_px_ + rec.faults.wet_mm * per_mm * -std::expm1(-since_s / 0.1);
  const double deep_px = 0.35 * rec.faults.wet_mm * per_mm;
  const Pixel shift = NozzleShift(time_s);
  const bool frontlit = scene_.light == "frontlit";
  const int reach = static_cast<int>(out_px + deep_px) + 2;
  const double ex = exit_.x + shift.x;
  const double ey = exit_.y + shift.y;
  for (int y = std::max(0, static_cast<int>(ey) - reach);
       y < std::min(rec.height, static_cast<int>(ey) + reach); ++y) {
    for (int x = std::max(0, static_cast<int>(ex) - reach);
         x < std::min(rec.width, static_cast<int>(ex) + reach); ++x) {
      const double side = (x - ex) * along_.y - (y - ey) * along_.x;
      const double down = (x - ex) * along_.x + (y - ey) * along_.y;
      const double part = side / out_px;
      if (std::abs(part) > 1.0) continue;
      const double film =
          Inside(down - 0.5 * deep_px * (1.0 - part * part), 0.5 * deep_px * (1.0 - part * part));
      float& v = image[static_cast<std::size_t>(y) * static_cast<std::size_t>(rec.width) +
                       static_cast<std::size_t>(x)];
      v = frontlit ? v + static_cast<float>(0.4 * rec.field * film)
                   : v * static_cast<float>(1.0 - 0.8 * film);
    }
  }
}

StoredFrame Recorder::Record(const FloatImage& signal, double time_s, int index) const {
  const RecordingSetting& rec = scene_.recording;
  const int width = rec.width;
  const int height = rec.height;
  std::vector<float> image(static_cast<std::size_t>(width) * static_cast<std::size_t>(height));
  Compose(signal, time_s, image);
  if (rec.moving > 0.0) AddMoving(image, signal, time_s);
  if (scene_.negative == "walker") AddWalker(image, time_s);
  if (rec.haze > 0.0) AddHaze(image, time_s);
  if (rec.faults.wet_mm > 0.0) AddWetFace(image, time_s);
  if (!specks_.empty()) AddWindow(image, time_s);
  const double along = time_s * rec.fps / std::max(rec.frames, 1);
  MovePicture(MotionAt(rec.faults, time_s, along), width, height, image);

  // Light and exposure, noise, coding.
  const double drift = rec.gain * (1.0 + rec.exposure_drift * (along - 0.5));
  const auto shot = static_cast<float>(1.0 / rec.full_well);
  const auto read2 = static_cast<float>(rec.read_noise * rec.read_noise);
  StoredFrame frame;
  const bool film = rec.codec == "frames16" || rec.codec == "frames12";
  const float top = rec.codec == "frames16" ? 65535.0F : 4095.0F;
  const float bits = rec.ten_bit ? 4.0F : 1.0F;
  const bool whole = rec.full_range || rec.codec == "frames8";
  const float low = whole ? 0.0F : 16.0F * bits;
  const float range = whole ? 255.0F * bits + (rec.ten_bit ? 3.0F : 0.0F) : 219.0F * bits;
  std::vector<float>& coded = image;
  for (int y = 0; y < height; ++y) {
    const double at_s = time_s + 1e-6 * rec.line_time_us * y;
    const auto gain = static_cast<float>(
        drift *
        (1.0 + rec.flicker * std::sin(kTurn * rec.flicker_hz * at_s + static_cast<double>(scene_.seed % 7))));
    const std::uint64_t bits64 =
        Mix(scene_.seed ^ Mix(static_cast<std::uint64_t>(index) * 65536U + static_cast<std::uint64_t>(y)));
    const float* noise = noise_.data() + bits64 % static_cast<std::uint64_t>(kNoiseTable - width);
    float* row = coded.data() + static_cast<std::size_t>(y) * static_cast<std::size_t>(width);
    for (int x = 0; x < width; ++x) {
      float v = std::max(0.0F, row[x] * gain);
      v += std::sqrt(shot * v + read2) * noise[x];
      v = std::clamp(v, 0.0F, 1.0F);
      if (!film) {
        const float place = v * static_cast<float>(kCurve);
        const int i = static_cast<int>(place);
        const float rest = place - static_cast<float>(i);
        v = coded_[static_cast<std::size_t>(i)] * (1.0F - rest) +
            coded_[static_cast<std::size_t>(i) + 1] * rest;
      }
      row[x] = v;
    }
  }
  if (rec.sharpen > 0.0 && !film) {
    cv::Mat view(height, width, CV_32F, coded.data());
    cv::Mat soft;
    cv::GaussianBlur(view, soft, cv::Size(7, 7), 1.3);
    const auto amount = static_cast<float>(rec.sharpen);
    for (int y = 0; y < height; ++y) {
      float* a = view.ptr<float>(y);
      const float* b = soft.ptr<float>(y);
      for (int x = 0; x < width; ++x) a[x] = std::clamp(a[x] + amount * (a[x] - b[x]), 0.0F, 1.0F);
    }
  }
  // Stored as the sensor has it; the rotation tag turns it upright.
  const bool turned = rec.rotation_deg == 90 || rec.rotation_deg == 270;
  frame.width = turned ? height : width;
  frame.height = turned ? width : height;
  frame.value.resize(image.size());
  for (int y = 0; y < height; ++y) {
    for (int x = 0; x < width; ++x) {
      int p = x;
      int q = y;
      if (rec.rotation_deg == 90) {
        p = y;
        q = width - 0 - 1 - x;
        // upright x = stored height - 1 - q, y = p
      } else if (rec.rotation_deg == 180) {
        p = width - 1 - x;
        q = height - 1 - y;
      } else if (rec.rotation_deg == 270) {
        p = height - 1 - y;
        q = x;
      }
      const float v =
          coded[static_cast<std::size_t>(y) * static_cast<std::size_t>(width) + static_cast<std::size_t>(x)];
      const float out = film ? v * top : low + v * range;
      frame.value[static_cast<std::size_t>(q) * static_cast<std::size_t>(frame.width) +
                  static_cast<std::size_t>(p)] = static_cast<std::uint16_t>(out + 0.5F);
    }
  }
  return frame;
}

}  // namespace conebook::render
