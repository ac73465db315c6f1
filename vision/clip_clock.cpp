#include "vision/clip_clock.h"

#include <algorithm>
#include <cmath>

#include <fmt/format.h>

#include "vision/statistics.h"

namespace conebook::vision {
namespace {

using calib::Flag;
using calib::Severity;

void Say(const char* code, Severity severity, std::string message, const char* advice,
         std::vector<Flag>& flags) {
  flags.push_back({code, severity, std::nullopt, std::nullopt, std::move(message), advice});
}

double MedianOf(std::vector<double> values) {
  return values.empty() ? 0.0 : MedianInPlace(values);
}

// A run of intervals that all differ from the usual one, the same way: a dropped frame is a single one.
struct Ramp {
  std::size_t first = 0, last = 0;  // intervals
  double ratio = 1.0;
};
std::optional<Ramp> FindRamp(const std::vector<double>& steps, double usual, const ClockOptions& options) {
  std::optional<Ramp> longest;
  for (const bool slower : {true, false}) {
    std::size_t begin = 0;
    for (std::size_t k = 0; k <= steps.size(); ++k) {
      const bool off = k < steps.size() && (slower ? steps[k] > options.least_ramp * usual
                                                   : steps[k] * options.least_ramp < usual);
      if (off) continue;
      if (k - begin >= options.least_ramp_frames &&
          (!longest || k - begin > longest->last - longest->first)) {
        longest = Ramp{begin, k,
                       MedianOf({steps.begin() + static_cast<std::ptrdiff_t>(begin),
                                 steps.begin() + static_cast<std::ptrdiff_t>(k)}) /
                           usual};
      }
      begin = k + 1;
    }
  }
  return longest;
}

// Frames in which next to nothing changed, while a cone stands in them, against the frames around: a cone
// that has just begun is small. A frame in which most of the spray is hidden shows too little that moves.
// None where changes of all sizes occur: a sheet that hardly moves, and tears at the picture's edge now and
// then.
std::vector<char> FindRepeats(const RecordSpool& spool, std::size_t first, const ClockOptions& options) {
  constexpr std::size_t kAround = 5;
  constexpr double kInView = 0.6;  // of the usual share of rows with an edge
  std::vector<double> found;
  for (std::size_t k = first; k < spool.Frames(); ++k) {
    if (spool.Head(k).width > 0.0F) found.push_back(static_cast<double>(spool.Head(k).found_share));
  }
  if (found.empty()) return {};
  // The upper quartile, for where the spray is hidden in more than half of the frames.
  const double least_found = kInView * QuantileInPlace(found, 0.75);
  const auto shows = [&](std::size_t k) {
    const FrameRecord& head = spool.Head(k);
    return head.width > 0.0F && static_cast<double>(head.found_share) > least_found;
  };
  std::vector<char> repeated(spool.Frames(), 0);
  int repeats = 0;
  int between = 0;
  for (std::size_t k = first + 1; k < spool.Frames(); ++k) {
    const FrameRecord& head = spool.Head(k);
    if (head.corrupt || !shows(k) || !shows(k - 1)) continue;
    double usual = 0.0;
    for (std::size_t j = std::max(first + 1, k - std::min(k, kAround));
         j < std::min(spool.Frames(), k + kAround + 1); ++j) {
      if (shows(j) && shows(j - 1)) usual = std::max(usual, static_cast<double>(spool.Head(j).changed));
    }
    if (usual <= options.least_change) continue;
    const double part = static_cast<double>(head.changed) / usual;
    repeated[k] = part < options.repeat_part ? 1 : 0;
    repeats += repeated[k];
    between += repeated[k] == 0 && part < options.clear_of_repeats * options.repeat_part ? 1 : 0;
  }
  return between > options.most_between * repeats ? std::vector<char>() : repeated;
}

}  // namespace

ClipClock ClockOf(const std::vector<double>& stamps_s, const RecordSpool& spool,
                  std::optional<std::int64_t> first_spray_frame, const FootageFormat& format,
                  const View& view, const ClockOptions& options, std::vector<Flag>& flags) {
  ClipClock clock;
  std::vector<double> steps;
  for (std::size_t i = 1; i < stamps_s.size(); ++i) steps.push_back(stamps_s[i] - stamps_s[i - 1]);
  const double step = MedianOf(steps);
  // Some headers carry the mean, of a clip with dropped frames.
  const double mean_step = steps.empty() ? 0.0 : stamps_s.back() / static_cast<double>(steps.size());
  if (view.fps) {
    clock.scale = step > 0.0 ? 1.0 / (step * *view.fps) : 1.0;
  } else if (!format.has_stamps) {
    constexpr double kGuessFps = 30.0;
    clock.scale = 1.0 / kGuessFps;
    Say("frame_rate_unknown", Severity::kWarn,
        fmt::format("a folder of frames carries no times; {:g} frames a second were assumed", kGuessFps),
        "state [camera] fps, the true capture rate", flags);
  } else if (format.capture_fps && step > 0.0 &&
             std::abs(*format.capture_fps * step - 1.0) > options.most_rate_error) {
    Say("rate_doubtful", Severity::kWarn,
        fmt::format(
            "the clip says that it was filmed at {:.1f} frames a second and plays {:.1f}: slow motion; "
            "times are those of playing",
            *format.capture_fps, 1.0 / step),
        "state [camera] fps, the true capture rate", flags);
  } else if (format.declared_fps && step > 0.0 &&
             std::abs(*format.declared_fps * step - 1.0) > options.most_rate_error &&
             std::abs(*format.declared_fps * mean_step - 1.0) > options.most_rate_error) {
    Say("rate_doubtful", Severity::kWarn,
        fmt::format("the clip's header says {:.2f} frames a second, its stamps {:.2f}; the stamps were used",
                    *format.declared_fps, 1.0 / step),
        "state [camera] fps, the true capture rate", flags);
  }
  clock.interval_s = step * clock.scale;
  for (const double stamp : stamps_s) clock.time_s.push_back(stamp * clock.scale);

  if (const auto ramp = step > 0.0 ? FindRamp(steps, step, options) : std::nullopt) {
    const std::string seen = fmt::format(
        "from {:.2f} to {:.2f} s by its stamps the clip's frames lie {:.1f} times as far apart as elsewhere: "
        "an "
        "editor's speed ramp, or a camera that changed its rate",
        stamps_s[ramp->first], stamps_s[ramp->last], ramp->ratio);
    if (view.fps) {
      for (std::size_t k = 0; k < clock.time_s.size(); ++k)
        clock.time_s[k] = static_cast<double>(k) / *view.fps;
      Say("pace_changes", Severity::kWarn,
          seen + "; times were counted by frames at the stated rate, which no frame left out would spoil",
          "measure the clip as the camera wrote it, before any editing", flags);
    } else {
      clock.steady = false;
      Say("pace_changes", Severity::kWarn,
          seen +
              "; times and frequencies cannot be told, nor what belongs to "
              "which time of a log",
          "measure the clip as the camera wrote it, before any editing, or state [camera] fps", flags);
    }
  }
  if (spool.Frames() != stamps_s.size() || !first_spray_frame) return clock;
  std::size_t first = 0;
  while (first < spool.Frames() && spool.Head(first).index < *first_spray_frame) ++first;
  clock.repeated = FindRepeats(spool, first, options);
  const auto count = static_cast<std::size_t>(std::count(clock.repeated.begin(), clock.repeated.end(), 1));
  const auto frames = static_cast<double>(spool.Frames() - first);
  if (count < 3 || static_cast<double>(count) < options.least_repeats * frames) {
    clock.repeated.clear();
    return clock;
  }
  // Repeats that bunch up are slow motion made of still frames.
  std::size_t most = 0;
  std::size_t fewest = spool.Frames();
  constexpr std::size_t kWindow = 16;
  for (std::size_t k = first; k + kWindow <= spool.Frames(); k += kWindow / 2) {
    const auto begin = clock.repeated.begin() + static_cast<std::ptrdiff_t>(k);
    const auto here = static_cast<std::size_t>(std::count(begin, begin + kWindow, 1));
    most = std::max(most, here);
    fewest = std::min(fewest, here);
  }
  const bool bunched = 2 * most >= kWindow && 8 * fewest <= kWindow;
  if (bunched && !view.fps) clock.steady = false;
  const bool many = bunched || static_cast<double>(count) > options.doubt_repeats * frames;
  Say("frames_repeated", many ? Severity::kWarn : Severity::kInfo,
      fmt::format("{} of {} frames with spray repeat the one before: {}; they are left out{}", count,
                  static_cast<std::int64_t>(frames),
                  many ? "an editor or converter made them"
                       : "a converter made them, or a codec that saw too little change",
                  bunched ? ", and as they come in bunches, times and frequencies cannot be told" : ""),
      "measure the clip as the camera wrote it, before any editing", flags);
  return clock;
}

}  // namespace conebook::vision
