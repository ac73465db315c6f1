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

struct Profile {
  std::vector<double> texture;      // mean over frames and rays
  std::vector<double> fluctuation;  // root mean square in time, mean over rays
};

}  // namespace

BreakupResult ReadBreakup(const RecordSpool& spool, std::span<const std::size_t> frames,
                          std::span<const double> distance, double least_distance,
                          const BreakupOptions& options) {
  BreakupResult result;
  const int n = static_cast<int>(distance.size());
  int first = 0;
  while (first < n && distance[static_cast<std::size_t>(first)] < least_distance) ++first;
  if (frames.size() < 5 || n - first < 16) {
    result.none.reason = "too few frames or rows";
    return result;
  }
  const auto cells = static_cast<std::size_t>(n) * kRays;
  std::vector<double> texture_sum(cells, 0.0);
  std::vector<double> signal_sum(cells, 0.0);
  std::vector<double> square_sum(cells, 0.0);
  const RowWindows wide(distance, 0.22);
  const RowWindows narrow(distance, 0.06);
  std::vector<std::int16_t> signal;
  std::vector<std::uint16_t> texture;
  std::vector<std::vector<double>> ray_rises(kRays);
  std::vector<double> frame_medians;
  BreakupReading reading;
  reading.frame_length.assign(frames.size(), 0.0);
  const std::size_t step =
      std::max<std::size_t>(1, (frames.size() + static_cast<std::size_t>(options.most_frames) - 1) /
                                   static_cast<std::size_t>(options.most_frames));
  double used = 0.0;
  for (std::size_t k = 0; k < frames.size(); k += step) {
    spool.ReadRays(frames[k], signal, texture);
    used += 1.0;
    for (std::size_t c = 0; c < cells; ++c) {
      const double s = signal[c] / static_cast<double>(kSignalUnits);
      texture_sum[c] += texture[c] / static_cast<double>(kTextureUnits);
      signal_sum[c] += s;
      square_sum[c] += s * s;
    }
    std::vector<double> rises;
    std::vector<double> column(static_cast<std::size_t>(n));
    for (int ray = 0; ray < kRays; ++ray) {
      for (int i = 0; i < n; ++i) {
        column[static_cast<std::size_t>(i)] =
            texture[static_cast<std::size_t>(i * kRays + ray)] / static_cast<double>(kTextureUnits);
      }
      const std::vector<double> p = Prefix(column);
      const double all = Mean(p, first, n);
      double best = 0.0;
      int at = -1;
      for (int i = first + 3; i + 3 < n; ++i) {
        const int a = std::max(first, wide.Above(i));
        const int b = std::min(n, wide.Below(i) + 1);
        const double before = Mean(p, a, i);
        const double after = Mean(p, i, b);
        // Difference against the geometric mean level: a step counts alike in strong and in faint parts.
        const double rise = (after - before) / std::sqrt((after + 0.1 * all) * (before + 0.1 * all) + 1e-12);
        if (rise > best) {
          best = rise;
          at = i;
        }
      }
      if (at < 0 || best < 0.4) continue;
      rises.push_back(distance[static_cast<std::size_t>(at)]);
      ray_rises[static_cast<std::size_t>(ray)].push_back(distance[static_cast<std::size_t>(at)]);
    }
    if (rises.size() * 3 >= kRays) {
      const double median = MedianInPlace(rises);
      frame_medians.push_back(median);
      reading.frame_length[k] = median / options.rise_factor;
    }
  }
  Profile profile;
  profile.texture.assign(static_cast<std::size_t>(n), 0.0);
  profile.fluctuation.assign(static_cast<std::size_t>(n), 0.0);
  for (int i = 0; i < n; ++i) {
    for (int ray = 0; ray < kRays; ++ray) {
      const auto c = static_cast<std::size_t>(i * kRays + ray);
      profile.texture[static_cast<std::size_t>(i)] += texture_sum[c] / used / kRays;
      const double mean = signal_sum[c] / used;
      profile.fluctuation[static_cast<std::size_t>(i)] +=
          std::sqrt(std::max(0.0, square_sum[c] / used - mean * mean)) / kRays;
    }
  }
  const std::vector<double> texture_line = Smooth(profile.texture, narrow);
  const std::vector<double> fluctuation_line = Smooth(profile.fluctuation, narrow);

  // The greatest relative rise of texture along the spray: from the sheet's quiet stretch to where it is
  // broken. The first rows, all rim, may be stronger than either.
  int strongest = first;
  int quietest = first;
  {
    int quiet = first;
    double best = 0.0;
    for (int i = first; i < n; ++i) {
      const double t = texture_line[static_cast<std::size_t>(i)];
      if (t < texture_line[static_cast<std::size_t>(quiet)]) quiet = i;
      const double ratio = t / std::max(1e-12, texture_line[static_cast<std::size_t>(quiet)]);
      if (ratio > best) {
        best = ratio;
        strongest = i;
        quietest = quiet;
      }
    }
  }
  const double high = texture_line[static_cast<std::size_t>(strongest)];
  const double low = texture_line[static_cast<std::size_t>(quietest)];
  const double end = distance[static_cast<std::size_t>(n - 1)];
  if (!(high > options.least_step * low)) {
    result.none.reason = "the texture along the spray shows no end of the sheet";
    result.none.lower_bound = std::nullopt;
    return result;
  }
  for (int i = quietest; i < strongest; ++i) {
    if (texture_line[static_cast<std::size_t>(i + 1)] < low + 0.5 * (high - low)) continue;
    const double a = texture_line[static_cast<std::size_t>(i)];
    const double b = texture_line[static_cast<std::size_t>(i + 1)];
    const double t = b > a ? std::clamp((low + 0.5 * (high - low) - a) / (b - a), 0.0, 1.0) : 0.0;
    reading.onset = (distance[static_cast<std::size_t>(i)] + t * (distance[static_cast<std::size_t>(i + 1)] -
                                                                  distance[static_cast<std::size_t>(i)])) /
                    options.onset_factor;
    break;
  }
  int top = quietest;
  for (int i = first; i < n; ++i) {
    if (fluctuation_line[static_cast<std::size_t>(i)] > fluctuation_line[static_cast<std::size_t>(top)])
      top = i;
  }
  if (top > quietest && top < n - 2)
    reading.peak = distance[static_cast<std::size_t>(top)] / options.peak_factor;
  if (3.0 * static_cast<double>(frame_medians.size()) >= used && frame_medians.size() >= 5) {
    std::vector<double> copy = frame_medians;
    reading.rise = MedianInPlace(copy) / options.rise_factor;
  }
  std::vector<double> family;
  for (const auto& member : {reading.rise, reading.onset, reading.peak}) {
    if (member) family.push_back(*member);
  }
  if (family.size() < 2) {
    result.none.reason = "fewer than two of the three readings found an end of the sheet";
    return result;
  }
  std::vector<double> copy = family;
  reading.length = MedianInPlace(copy);
  double spread = 0.0;
  for (const double f : family) spread += (f - reading.length) * (f - reading.length);
  reading.u_family = std::sqrt(spread / static_cast<double>(family.size()));
  if (frame_medians.size() >= 5) {
    reading.effective_frames = EffectiveSampleSize(frame_medians);
    reading.u_statistics =
        1.25 * RobustSpread(frame_medians) / options.rise_factor / std::sqrt(reading.effective_frames);
  } else {
    reading.effective_frames = used;
  }
  std::vector<double> all_logs;
  for (const auto& r : ray_rises) {
    for (const double z : r) all_logs.push_back(std::log(z));
  }
  reading.log_spread = RobustSpread(std::move(all_logs));
  reading.ray_length.assign(kRays, 0.0);
  for (int ray = 0; ray < kRays; ++ray) {
    auto& r = ray_rises[static_cast<std::size_t>(ray)];
    if (3.0 * static_cast<double>(r.size()) >= used && !r.empty()) {
      reading.ray_length[static_cast<std::size_t>(ray)] = MedianInPlace(r) / options.rise_factor;
    }
  }
  // Drops must be in view below the sheet's end, or the picture's edge is taken for it.
  if (reading.length * 1.15 > end) {
    result.none.lower_bound = 0.8 * std::min(reading.length, end);
    result.none.reason = "the sheet ends at or beyond the picture's edge";
    return result;
  }
  result.reading = std::move(reading);
  return result;
}

}  // namespace conebook::vision
