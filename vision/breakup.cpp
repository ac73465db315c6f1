#include "vision/breakup.h"

#include <algorithm>
#include <cmath>

#include "vision/frame_record.h"
#include "vision/statistics.h"

namespace conebook::vision {
namespace {

// Box mean over rows whose distance lies within +- part of the row's own distance (and one row at least).
class RowWindows {
 public:
  RowWindows(std::span<const double> z, double part) : z_(z) {
    const int n = static_cast<int>(z.size());
    below_.resize(z.size());
    above_.resize(z.size());
    int a = 0;
    int b = 0;
    for (int i = 0; i < n; ++i) {
      const double reach = std::max(part * z[static_cast<std::size_t>(i)], 1e-9);
      while (a < i && z[static_cast<std::size_t>(i)] - z[static_cast<std::size_t>(a)] > reach) ++a;
      b = std::max(b, i);
      while (b + 1 < n && z[static_cast<std::size_t>(b + 1)] - z[static_cast<std::size_t>(i)] <= reach) ++b;
      below_[static_cast<std::size_t>(i)] = std::min(a, std::max(0, i - 2));
      above_[static_cast<std::size_t>(i)] = std::max(b, std::min(n - 1, i + 2));
    }
  }
  int Above(int i) const { return below_[static_cast<std::size_t>(i)]; }  // nearest the exit
  int Below(int i) const { return above_[static_cast<std::size_t>(i)]; }

 private:
  std::span<const double> z_;
  std::vector<int> below_, above_;
};

std::vector<double> Prefix(const std::vector<double>& v) {
  std::vector<double> p(v.size() + 1, 0.0);
  for (std::size_t i = 0; i < v.size(); ++i) p[i + 1] = p[i] + v[i];
  return p;
}

double Mean(const std::vector<double>& prefix, int a, int b) {  // rows [a, b)
  return b > a ? (prefix[static_cast<std::size_t>(b)] - prefix[static_cast<std::size_t>(a)]) / (b - a) : 0.0;
}

std::vector<double> Smooth(const std::vector<double>& v, const RowWindows& windows) {
  const std::vector<double> p = Prefix(v);
  std::vector<double> out(v.size());
  for (int i = 0; i < static_cast<int>(v.size()); ++i) {
    out[static_cast<std::size_t>(i)] = Mean(p, windows.Above(i), windows.Below(i) + 1);
  }
  return out;
}

std::size_t StepOver(std::size_t frames, int most) {
  const auto limit = static_cast<std::size_t>(most);
  return std::max<std::size_t>(1, (frames + limit - 1) / limit);
}

// Along the spray, mean over rays: how much the signal, and its fine detail, change in time. Both are blind
// to whatever stands still.
struct Profile {
  std::vector<double> fluctuation, detail;
};

Profile ProfileOf(const RecordSpool& spool, std::span<const std::size_t> frames, std::span<const double> z,
                  std::size_t step) {
  struct Moments {
    double sum = 0.0, square = 0.0;
    void Add(double v) {
      sum += v;
      square += v * v;
    }
    double Spread(double n) const { return std::sqrt(std::max(0.0, square / n - sum / n * (sum / n))); }
  };
  const std::size_t cells = z.size() * kRays;
  std::vector<Moments> signal(cells);
  std::vector<Moments> detail(cells);
  RayValues rays;
  double used = 0.0;
  for (std::size_t k = 0; k < frames.size(); k += step) {
    spool.ReadRays(frames[k], rays);
    used += 1.0;
    for (std::size_t c = 0; c < cells; ++c) {
      signal[c].Add(rays.signal[c] / static_cast<double>(kSignalUnits));
      detail[c].Add(rays.detail[c] / static_cast<double>(kTextureUnits));
    }
  }
  Profile raw{std::vector<double>(z.size(), 0.0), std::vector<double>(z.size(), 0.0)};
  for (std::size_t c = 0; c < cells; ++c) {
    raw.fluctuation[c / kRays] += signal[c].Spread(used) / kRays;
    raw.detail[c / kRays] += detail[c].Spread(used) / kRays;
  }
  const RowWindows narrow(z, 0.06);
  return {Smooth(raw.fluctuation, narrow), Smooth(raw.detail, narrow)};
}

// The greatest relative rise along a profile. The first rows, all rim, may be stronger than what comes after.
struct RiseAlong {
  std::size_t quietest = 0, strongest = 0;
};

RiseAlong GreatestRise(const std::vector<double>& profile, std::size_t first) {
  RiseAlong rise{first, first};
  std::size_t quiet = first;
  double best = 0.0;
  for (std::size_t i = first; i < profile.size(); ++i) {
    if (profile[i] < profile[quiet]) quiet = i;
    const double ratio = profile[i] / std::max(1e-12, profile[quiet]);
    if (ratio > best) {
      best = ratio;
      rise = {quiet, i};
    }
  }
  return rise;
}

// First row at half way from the quiet stretch's own level (noise, and what the sheet itself shows) to the
// strongest.
std::size_t HalfWay(const std::vector<double>& profile, const RiseAlong& rise) {
  const double low = profile[rise.quietest];
  const auto excess = [&](std::size_t i) {
    return std::sqrt(std::max(0.0, profile[i] * profile[i] - low * low));
  };
  std::size_t i = rise.quietest;
  while (i < rise.strongest && excess(i) < 0.5 * excess(rise.strongest)) ++i;
  return i;
}

// Where a ray's texture rises most, against the geometric mean level: a step counts alike in strong and faint
// parts.
std::optional<double> SteepestRise(const std::vector<double>& column, std::span<const double> z,
                                   std::size_t first, const RowWindows& windows, double least_rise) {
  const std::vector<double> p = Prefix(column);
  const int n = static_cast<int>(z.size());
  const int start = static_cast<int>(first);
  const double all = 0.1 * Mean(p, start, n) + 1e-9;
  double best = least_rise;
  std::optional<double> at;
  for (int i = start + 3; i + 3 < n; ++i) {
    const double before = Mean(p, std::max(start, windows.Above(i)), i);
    const double after = Mean(p, i, std::min(n, windows.Below(i) + 1));
    const double rise = (after - before) / std::sqrt((after + all) * (before + all));
    if (rise > best) {
      best = rise;
      at = z[static_cast<std::size_t>(i)];
    }
  }
  return at;
}

struct Rises {
  std::vector<std::vector<double>> of_ray;
  std::vector<double> of_frame;        // medians over rays, of frames with enough of them
  std::vector<double> of_given_frame;  // the same by index of the frame; 0 where not read
  double frames = 0.0;
};

Rises RisesOf(const RecordSpool& spool, std::span<const std::size_t> frames, std::span<const double> z,
              std::size_t step, std::size_t first, double least_rise) {
  Rises rises;
  rises.of_ray.resize(kRays);
  rises.of_given_frame.assign(frames.size(), 0.0);
  const RowWindows windows(z, 0.22);
  RayValues rays;
  std::vector<double> column(z.size());
  for (std::size_t k = 0; k < frames.size(); k += step) {
    spool.ReadRays(frames[k], rays);
    rises.frames += 1.0;
    std::vector<double> found;
    for (std::size_t ray = 0; ray < kRays; ++ray) {
      for (std::size_t i = 0; i < z.size(); ++i) {
        column[i] = rays.texture[i * kRays + ray] / static_cast<double>(kTextureUnits);
      }
      const auto at = SteepestRise(column, z, first, windows, least_rise);
      if (!at) continue;
      found.push_back(*at);
      rises.of_ray[ray].push_back(*at);
    }
    if (found.size() * 3 < kRays) continue;
    rises.of_frame.push_back(MedianInPlace(found));
    rises.of_given_frame[k] = rises.of_frame.back();
  }
  return rises;
}

BreakupReading Combine(const Rises& rises, double peak, const BreakupOptions& options) {
  BreakupReading reading;
  std::vector<double> copy = rises.of_frame;
  reading.rise = MedianInPlace(copy);
  reading.peak = peak;
  std::vector<double> logs;
  for (const auto& ray : rises.of_ray) {
    for (const double z : ray) logs.push_back(std::log(z));
  }
  reading.spread = RobustSpread(std::move(logs));
  const double between = std::sqrt(reading.rise * reading.peak);
  const double carried = reading.rise * std::exp(options.spread_weight * reading.spread);
  reading.length = 0.5 * (between + carried);
  reading.u_family = 0.5 * std::abs(between - carried);
  reading.effective_frames = EffectiveSampleSize(rises.of_frame);
  reading.u_statistics = 1.25 * RobustSpread(rises.of_frame) / std::sqrt(reading.effective_frames);
  // Single rays and frames show the rise; they are carried to the value's place.
  const double scale = reading.length / reading.rise;
  for (const double z : rises.of_given_frame) reading.frame_length.push_back(scale * z);
  for (const auto& ray : rises.of_ray) {
    std::vector<double> values = ray;
    const bool enough = !values.empty() && 3.0 * static_cast<double>(values.size()) >= rises.frames;
    reading.ray_length.push_back(enough ? scale * MedianInPlace(values) : 0.0);
  }
  return reading;
}

BreakupResult None(std::string reason, std::optional<double> lower_bound) {
  BreakupResult result;
  result.none = {lower_bound, std::move(reason)};
  return result;
}

}  // namespace

BreakupResult ReadBreakup(const RecordSpool& spool, std::span<const std::size_t> frames,
                          std::span<const double> z, double least_distance, const BreakupOptions& options) {
  std::size_t first = 0;
  while (first < z.size() && z[first] < least_distance) ++first;
  if (frames.size() < 5 || z.size() < first + 16) return None("too few frames or rows", std::nullopt);
  const std::size_t step = StepOver(frames.size(), options.most_frames);
  const double end = z.back();
  const Profile profile = ProfileOf(spool, frames, z, step);
  const RiseAlong detail = GreatestRise(profile.detail, first);
  const bool textured =
      profile.detail[detail.strongest] > options.least_step * profile.detail[detail.quietest];
  // Drops and ligaments flicker most where the sheet has just ended; waves on a whole sheet grow to the
  // picture's end.
  std::size_t top = detail.quietest;
  for (std::size_t i = top; i < z.size(); ++i) {
    if (profile.fluctuation[i] > profile.fluctuation[top]) top = i;
  }
  const bool flickers =
      profile.fluctuation[top] > options.least_flicker * profile.fluctuation[detail.quietest];
  const bool whole = !flickers || top + 2 >= z.size();
  const std::string goes_on = "the sheet goes on to the picture's edge";
  if (!textured) {
    return whole ? None(goes_on, 0.9 * end) : None("no drops can be told below the sheet", std::nullopt);
  }
  // Well below the exit: near it the rims fill the width and rise steepest of all.
  const double from = 0.5 * z[HalfWay(profile.detail, detail)];
  while (first < z.size() && z[first] < from) ++first;
  const Rises rises = RisesOf(spool, frames, z, step, first, options.least_rise);
  if (rises.of_frame.size() < 5 || 3.0 * static_cast<double>(rises.of_frame.size()) < rises.frames) {
    return whole ? None(goes_on, 0.9 * end) : None("too few frames show where the sheet ends", std::nullopt);
  }
  BreakupResult result;
  result.reading = Combine(rises, z[top], options);
  const bool agree = result.reading->spread < options.most_spread &&
                     result.reading->peak < options.most_peak_over_rise * result.reading->rise;
  if (!whole && !agree) return None("rays and readings do not agree on an end of the sheet", std::nullopt);
  if (whole) {
    // Something rises before the picture's edge, but no drops are seen to follow it.
    return None(goes_on, 0.8 * std::min(result.reading->rise, end));
  }
  if (1.1 * result.reading->length > end) {
    return None("the sheet ends at or beyond the picture's edge",
                0.8 * std::min(result.reading->length, end));
  }
  return result;
}

}  // namespace conebook::vision
