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
// to whatever stands still. The signal of the median ray, too: a lamp mirrored in a sheet dances on some
// rays.
struct Profile {
  std::vector<double> fluctuation, detail, median_fluctuation;
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
  Profile raw{std::vector<double>(z.size(), 0.0), std::vector<double>(z.size(), 0.0), {}};
  std::vector<double> of_ray(kRays);
  for (std::size_t i = 0; i < z.size(); ++i) {
    for (std::size_t ray = 0; ray < kRays; ++ray) {
      of_ray[ray] = signal[i * kRays + ray].Spread(used);
      raw.fluctuation[i] += of_ray[ray] / kRays;
      raw.detail[i] += detail[i * kRays + ray].Spread(used) / kRays;
    }
    raw.median_fluctuation.push_back(MedianInPlace(of_ray));
  }
  const RowWindows narrow(z, 0.06);
  return {Smooth(raw.fluctuation, narrow), Smooth(raw.detail, narrow),
          Smooth(raw.median_fluctuation, narrow)};
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

// First row where the power above the quiet stretch's own (noise, and what the sheet itself shows) reaches a
// part of the strongest.
std::size_t RowAtPart(const std::vector<double>& profile, const RiseAlong& rise, double part) {
  const double low = profile[rise.quietest];
  const auto excess = [&](std::size_t i) { return profile[i] * profile[i] - low * low; };
  std::size_t i = rise.quietest;
  while (i < rise.strongest && excess(i) < part * excess(rise.strongest)) ++i;
  return i;
}

// Where a ray's texture rises most, against the geometric mean level: a step counts alike in strong and faint
// parts.
std::optional<double> SteepestRise(const std::vector<double>& column, std::span<const double> z,
                                   std::size_t first, const RowWindows& windows, double least_rise) {
  const std::vector<double> p = Prefix(column);
  const int n = static_cast<int>(column.size());
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

// Which frames and rows of the rays are looked at; z of every row.
struct Window {
  std::span<const std::size_t> frames;
  std::size_t step = 1;
  std::span<const double> z;
  std::size_t first = 0, last = 0;
  std::size_t Rows() const { return last - first; }
};

struct Rises {
  std::vector<double> all;       // every ray and frame
  std::vector<double> of_frame;  // medians over rays, of frames with enough of them
  double frames = 0.0;
  double texture = 0.0;  // mean over all rows looked at
};

double Texture(const RayValues& rays, std::size_t row, std::size_t ray) {
  return rays.texture[row * kRays + ray] / static_cast<double>(kTextureUnits);
}

Rises RisesOf(const RecordSpool& spool, const Window& window, double least_rise) {
  Rises rises;
  const RowWindows windows(window.z, 0.22);
  RayValues rays;
  std::vector<double> column(window.last);
  for (std::size_t k = 0; k < window.frames.size(); k += window.step) {
    spool.ReadRays(window.frames[k], rays);
    rises.frames += 1.0;
    std::vector<double> found;
    for (std::size_t ray = 0; ray < kRays; ++ray) {
      for (std::size_t i = 0; i < window.last; ++i) column[i] = Texture(rays, i, ray);
      for (std::size_t i = window.first; i < window.last; ++i) rises.texture += column[i];
      const auto at = SteepestRise(column, window.z, window.first, windows, least_rise);
      if (!at) continue;
      found.push_back(*at);
      rises.all.push_back(*at);
    }
    if (found.size() * 3 >= kRays) rises.of_frame.push_back(MedianInPlace(found));
  }
  rises.texture /= std::max(1.0, rises.frames * kRays * static_cast<double>(window.Rows()));
  return rises;
}

// The row that splits a column into a lower and a higher level with the least squares.
std::optional<std::size_t> SplitRow(const std::vector<double>& column) {
  constexpr std::size_t kLeastRows = 4;
  const std::size_t n = column.size();
  if (n < 2 * kLeastRows) return std::nullopt;
  double all = 0.0;
  for (const double v : column) all += v;
  double above = 0.0;
  double best = 0.0;  // the squares that the split takes away
  std::optional<std::size_t> at;
  for (std::size_t i = 0; i + kLeastRows < n; ++i) {
    above += column[i];
    const auto m = static_cast<double>(i + 1);
    const double rest = static_cast<double>(n) - m;
    const double step = (all - above) / rest - above / m;
    if (i + 1 < kLeastRows || step <= 0.0) continue;
    const double gain = step * step * m * rest;
    if (gain > best) {
      best = gain;
      at = i + 1;
    }
  }
  return at;
}

struct Fronts {
  std::vector<std::vector<double>> of_ray;
  std::vector<double> of_frame;  // medians over rays
  std::vector<std::vector<double>> all_of_frame;
  std::vector<double> of_given_frame;  // the same by index of the frame; 0 where not read
  double frames = 0.0;
  double row_height = 0.0;  // mean, in the unit of distance
};

// Texture of the window's rows, all rays of some of its frames, by row.
std::vector<std::vector<double>> TexturesOfRows(const RecordSpool& spool, const Window& window) {
  constexpr std::size_t kFramesEnough = 60;
  const std::size_t stride = std::max(window.step, window.frames.size() / kFramesEnough);
  std::vector<std::vector<double>> rows(window.Rows());
  RayValues rays;
  for (std::size_t k = 0; k < window.frames.size(); k += stride) {
    spool.ReadRays(window.frames[k], rays);
    for (std::size_t i = 0; i < rows.size(); ++i)
      for (std::size_t ray = 0; ray < kRays; ++ray) rows[i].push_back(Texture(rays, window.first + i, ray));
  }
  return rows;
}

// The sheet's own texture (noise, waves): the median over all rows.
double QuietTexture(std::span<const std::vector<double>> rows) {
  std::vector<double> all;
  for (const auto& row : rows) all.insert(all.end(), row.begin(), row.end());
  return all.empty() ? 0.0 : MedianInPlace(all);
}

// Rims that fill a narrow cone's width make texture that fades down the sheet: row by row the logarithm of
// the least median so far. Not taken off, it is the greatest step of many a ray.
std::vector<double> FadingLevels(std::vector<std::vector<double>> rows, double floor) {
  std::vector<double> levels;
  for (auto& row : rows) {
    const double level = std::log(MedianInPlace(row) + floor);
    levels.push_back(levels.empty() ? level : std::min(level, levels.back()));
  }
  return levels;
}

std::size_t FirstRowFrom(std::span<const double> z, std::size_t row, double distance) {
  while (row < z.size() && z[row] < distance) ++row;
  return row;
}

// How far below the first end the split still looks, as a multiple of its distance. Where perspective shows
// the two walls' ends far apart, the farther one is left out: else a row split in two meets either.
double FarOfRise(const BreakupOptions& options, double rise) {
  if (options.walls.empty()) return options.far_of_rise;
  const WallsSeen walls = options.walls.front()(rise);
  double ratio = 0.0;
  for (std::size_t ray = 0; ray < kRays; ++ray)
    ratio += std::max(walls.near[ray], walls.far[ray]) / std::min(walls.near[ray], walls.far[ray]) / kRays;
  const double apart =
      std::clamp((ratio - options.apart_from) / (options.apart_to - options.apart_from), 0.0, 1.0);
  return options.far_of_rise + apart * (std::sqrt(ratio) - options.far_of_rise);
}

// The window's rows of every ray and frame, less what fades, split where fine texture steps up.
Fronts FrontsOf(const RecordSpool& spool, const Window& window, double floor,
                std::span<const double> fading) {
  Fronts fronts;
  fronts.of_ray.resize(kRays);
  fronts.of_given_frame.assign(window.frames.size(), 0.0);
  fronts.row_height = (window.z[window.last - 1] - window.z[window.first]) /
                      static_cast<double>(std::max<std::size_t>(2, window.Rows()) - 1);
  RayValues rays;
  std::vector<double> column(window.Rows());
  for (std::size_t k = 0; k < window.frames.size(); k += window.step) {
    spool.ReadRays(window.frames[k], rays);
    fronts.frames += 1.0;
    std::vector<double>& found = fronts.all_of_frame.emplace_back();
    for (std::size_t ray = 0; ray < kRays; ++ray) {
      for (std::size_t i = 0; i < column.size(); ++i)
        column[i] = std::log(Texture(rays, window.first + i, ray) + floor) - fading[i];
      const auto at = SplitRow(column);
      if (!at) continue;
      found.push_back(window.z[window.first + *at]);
      fronts.of_ray[ray].push_back(found.back());
    }
    if (found.size() * 3 < kRays) continue;
    std::vector<double> copy = found;
    fronts.of_frame.push_back(MedianInPlace(copy));
    fronts.of_given_frame[k] = fronts.of_frame.back();
  }
  return fronts;
}

// Fronts stand at rows: those of one row are spread evenly over it, or the quantile would go by steps.
double Quantile(std::span<const std::vector<double>> frames, double row_height, double part) {
  std::vector<double> all;
  for (const auto& frame : frames) all.insert(all.end(), frame.begin(), frame.end());
  if (all.empty()) return 0.0;
  std::sort(all.begin(), all.end());
  for (std::size_t first = 0; first < all.size();) {
    std::size_t last = first;
    while (last < all.size() && all[last] == all[first]) ++last;
    const auto n = static_cast<double>(last - first);
    for (std::size_t k = first; k < last; ++k)
      all[k] += ((static_cast<double>(k - first) + 0.5) / n - 0.5) * row_height;
    first = last;
  }
  return QuantileInPlace(all, part);
}

// The walls are seen as they are at the length itself: found in steps.
double FrontOfOneWall(const Fronts& fronts, const std::function<WallsSeen(double)>& walls) {
  const double upper = Quantile(fronts.all_of_frame, fronts.row_height, 0.75);
  const double lower = Quantile(fronts.all_of_frame, fronts.row_height, 0.25);
  double length = upper;
  constexpr int kSteps = 4;
  for (int k = 0; k < kSteps; ++k) {
    const std::optional<double> next = MedianOfOneFront(lower, upper, walls(length));
    if (!next) return upper;
    length = *next;
  }
  return length;
}

// Standard uncertainty of the quartile from contiguous blocks of frames: it keeps what neighbours share. Zero
// where there are too few frames.
double BlockError(const Fronts& fronts, const BreakupOptions& options) {
  const std::span<const std::vector<double>> frames = fronts.all_of_frame;
  std::vector<double> quartiles;
  for (const Block& block : ContiguousBlocks(frames.size(), options.blocks, options.least_block)) {
    const double quartile =
        Quantile(frames.subspan(block.first, block.last - block.first), fronts.row_height, 0.75);
    if (quartile > 0.0) quartiles.push_back(quartile);
  }
  return UncertaintyOfMean(quartiles).value_or(0.0);
}

// Mean over the rays of how far apart both walls' ends are seen, as a part of their distance.
double ApartPart(const WallsSeen& walls) {
  double sum = 0.0;
  for (std::size_t ray = 0; ray < kRays; ++ray) sum += std::abs(walls.near[ray] - walls.far[ray]) / kRays;
  return sum;
}

BreakupReading Combine(const Rises& rises, const Fronts& fronts, double half, double peak,
                       const BreakupOptions& options) {
  BreakupReading reading;
  std::vector<double> copy = rises.of_frame;
  reading.rise = MedianInPlace(copy);
  reading.half = half;
  reading.peak = peak;
  std::vector<double> logs;
  for (const double z : rises.all) logs.push_back(std::log(z));
  reading.spread = RobustSpread(std::move(logs));
  reading.front = options.walls.empty() ? Quantile(fronts.all_of_frame, fronts.row_height, 0.75)
                                        : FrontOfOneWall(fronts, options.walls.front());
  reading.length = options.front_factor * reading.front;
  for (std::size_t k = 1; k < options.walls.size(); ++k)
    reading.otherwise.push_back(options.front_factor * FrontOfOneWall(fronts, options.walls[k]));
  // Where both walls' ends are seen far apart, the flicker has half its strength anywhere between them.
  const double between = options.walls.empty() ? 0.0 : 0.5 * ApartPart(options.walls.front()(reading.front));
  reading.u_family = 0.5 * std::max(0.0, std::abs(reading.length - options.half_factor * reading.half) -
                                             between * reading.length);
  reading.effective_frames = EffectiveSampleSize(fronts.of_frame);
  reading.u_statistics = std::max(1.25 * RobustSpread(fronts.of_frame) / std::sqrt(reading.effective_frames),
                                  options.front_factor * BlockError(fronts, options));
  // Single rays and frames show the nearer front; they are carried to the value's place.
  copy = fronts.of_frame;
  const double scale = reading.length / MedianInPlace(copy);
  for (const double z : fronts.of_given_frame) reading.frame_length.push_back(scale * z);
  for (const auto& ray : fronts.of_ray) {
    std::vector<double> values = ray;
    const bool enough = !values.empty() && 3.0 * static_cast<double>(values.size()) >= fronts.frames;
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
  std::size_t first = FirstRowFrom(z, 0, least_distance);
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
  const double of_drops =
      std::max(options.least_flicker_of_drops, options.most_flicker_of_rim * options.rim_level);
  if (whole && options.rim_level > 0.0 && profile.median_fluctuation[detail.quietest] > of_drops)
    return None("drops flicker from the exit on: no sheet is seen", std::nullopt);
  if (!textured) {
    return whole ? None(goes_on, 0.9 * end) : None("no drops can be told below the sheet", std::nullopt);
  }
  // Well below the exit: near it the rims fill the width and rise steepest of all.
  const double from = 0.5 * z[RowAtPart(profile.detail, detail, 0.25)];
  first = FirstRowFrom(z, first, from);
  // Far below the end single drops are the steepest rise of an empty ray.
  const double half = z[RowAtPart(profile.detail, detail, 0.5)];
  Window window{frames, step, z, first, FirstRowFrom(z, first, options.far_of_half * half)};
  const Rises rises = RisesOf(spool, window, options.least_rise);
  if (rises.of_frame.size() < 5 || 3.0 * static_cast<double>(rises.of_frame.size()) < rises.frames) {
    return whole ? None(goes_on, 0.9 * end) : None("too few frames show where the sheet ends", std::nullopt);
  }
  std::vector<double> copy = rises.of_frame;
  const double rise = MedianInPlace(copy);
  window.last = FirstRowFrom(z, first, FarOfRise(options, rise) * rise);
  const std::size_t quiet_end = FirstRowFrom(z, first, options.quiet_to * rise);
  // Logarithms are ruled by noise where there is little texture: the sheet's own is added first. (A part of
  // all texture hides the faint beginning of an end that strong drops follow.)
  const std::vector<std::vector<double>> rows = TexturesOfRows(spool, window);
  const double quiet = QuietTexture(std::span(rows).first(std::min(quiet_end, window.last) - first));
  const double floor = std::max(quiet, options.least_floor * rises.texture) + 1e-9;
  const Fronts fronts = FrontsOf(spool, window, floor, FadingLevels(rows, floor));
  if (fronts.of_frame.size() < 5) return None("too few frames show where the sheet ends", std::nullopt);
  BreakupResult result;
  result.reading = Combine(rises, fronts, half, z[top], options);
  const bool agree = result.reading->spread < options.most_spread &&
                     result.reading->peak < options.most_peak_over_rise * result.reading->rise &&
                     result.reading->rise < options.most_rise_over_half * half &&
                     half < options.most_rise_over_half * result.reading->rise;
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
