#include "vision/drop_clip.h"

#include <algorithm>
#include <cmath>
#include <exception>
#include <optional>
#include <thread>
#include <utility>

#include <fmt/format.h>

#include "vision/drop_tracks.h"
#include "vision/outline.h"
#include "vision/scene.h"
#include "vision/statistics.h"

namespace conebook::vision {
namespace {

constexpr std::size_t kChunk = 8;     // frames held at a time
constexpr int kFewForBackground = 8;  // fewer: drops stay in a median over time

class Sizer {
 public:
  Sizer(const std::string& path, const View& view, const ClipModel& model, int threads,
        const DropSizingOptions& options)
      : path_(path), view_(view), model_(model), options_(options) {
    threads_ = threads > 0 ? threads : std::max(1, static_cast<int>(std::thread::hardware_concurrency()));
  }

  DropSizing Run(const std::vector<std::int64_t>& frames) {
    own_background_ = model_.background_frames == 0 && static_cast<int>(frames.size()) < kFewForBackground;
    std::vector<std::vector<std::int64_t>> chunks;
    for (const std::size_t k :
         EvenIndices(frames.size(), static_cast<std::size_t>(std::max(1, options_.most_frames)))) {
      if (chunks.empty() || chunks.back().size() == kChunk) chunks.emplace_back();
      chunks.back().push_back(frames[k]);
    }
    TakeFrames(path_, view_, chunks, threads_, [&](std::size_t, const std::vector<LumaFrame>& taken) {
      if (!opaque_) {
        std::vector<cv::Mat1f> shades;
        for (const LumaFrame& frame : taken) shades.push_back(Shade(frame));
        opaque_ = OpaqueShade(shades);
      }
      const std::vector<FrameDrops> of_chunk = FindIn(taken);
      found_.insert(found_.end(), of_chunk.begin(), of_chunk.end());
      for (const LumaFrame& frame : taken) found_in_.push_back(frame.index);
    });
    return SizesOf(found_);
  }

  // Of those frames alone between which the drops in view have left it: seen twice, a drop is no other one.
  // Nothing: all of them.
  std::optional<DropSizing> WithoutRepeats(const DropSpeed& speed) const {
    const double crossings_a_frame = std::abs(speed.across_px) / model_.reading.width_px +
                                     std::abs(speed.along_px) / model_.reading.height_px;
    if (!(crossings_a_frame > 0.0)) return std::nullopt;
    std::vector<FrameDrops> apart;
    std::int64_t last = 0;
    for (std::size_t k = 0; k < found_.size(); ++k) {
      if (k > 0 && static_cast<double>(found_in_[k] - last) * crossings_a_frame < 1.0) continue;
      apart.push_back(found_[k]);
      last = found_in_[k];
    }
    if (apart.size() == found_.size()) return std::nullopt;
    DropSizing sizing = SizesOf(apart);
    if (sizing.verdict == DropVerdict::kNotResolvable) {
      sizing.why +=
          fmt::format(" (in {} frames the drops in view have hardly been replaced {} time{})",
                      found_in_.back() - found_in_.front() + 1, apart.size(), apart.size() == 1 ? "" : "s");
    }
    return sizing;
  }

  // Three neighbouring frames at a time, evenly over those given.
  DropSpeedResult Speed(const std::vector<std::int64_t>& frames, double interval_s) const {
    const DropTrackOptions tracks;
    std::vector<std::int64_t> starts;
    for (std::size_t k = 0; k + 2 < frames.size(); ++k) {
      if (frames[k + 2] == frames[k] + 2) starts.push_back(frames[k]);
    }
    std::vector<std::vector<std::int64_t>> wanted;
    for (const std::size_t k : EvenIndices(starts.size(), static_cast<std::size_t>(tracks.groups)))
      wanted.push_back({starts[k], starts[k] + 1, starts[k] + 2});
    std::vector<ThreeFrames> groups;
    std::vector<std::int64_t> first;
    TakeFrames(path_, view_, wanted, threads_, [&](std::size_t, const std::vector<LumaFrame>& taken) {
      if (taken.size() != 3) return;
      std::vector<FrameDrops> found = FindIn(taken);
      groups.push_back({std::move(found[0]), std::move(found[1]), std::move(found[2])});
      first.push_back(taken[0].index);
    });
    return TrackDrops(groups, first, model_.reading.width_px, model_.reading.height_px, interval_s, tracks);
  }

 private:
  DropSizing SizesOf(const std::vector<FrameDrops>& found) const {
    return SizeDrops(found, model_.reading.width_px, model_.reading.height_px, opaque_.value_or(1.0),
                     options_);
  }

  cv::Mat1f Shade(const LumaFrame& frame) const {
    if (!own_background_) return ShadeOf(model_, frame);
    ClipModel model = model_;
    // Drops darken: what lies between them is in the brighter part of each box.
    constexpr int kBoxPx = 96;
    constexpr double kBetweenDrops = 0.7;
    model.background = SlowLevel(LightImage(model_, frame), kBoxPx, kBetweenDrops);
    return ShadeOf(model, frame);
  }

  // Each frame is worked on alone and comes out in its place.
  std::vector<FrameDrops> FindIn(const std::vector<LumaFrame>& taken) const {
    std::vector<FrameDrops> found(taken.size());
    std::vector<std::exception_ptr> failures(static_cast<std::size_t>(threads_));
    const auto work = [&](std::size_t worker) {
      try {
        for (std::size_t k = worker; k < taken.size(); k += static_cast<std::size_t>(threads_))
          found[k] = FindDrops(Shade(taken[k]), *opaque_, discs_, options_.finder);
      } catch (...) {
        failures[worker] = std::current_exception();
      }
    };
    std::vector<std::thread> workers;
    for (std::size_t w = 1; w < static_cast<std::size_t>(threads_) && w < taken.size(); ++w)
      workers.emplace_back(work, w);
    work(0);
    for (std::thread& worker : workers) worker.join();
    for (const std::exception_ptr& failure : failures) {
      if (failure) std::rethrow_exception(failure);
    }
    return found;
  }

  const std::string& path_;
  const View& view_;
  const ClipModel& model_;
  const DropSizingOptions& options_;
  BlurredDiscs discs_;
  int threads_ = 1;
  bool own_background_ = false;
  std::optional<double> opaque_;  // from the first frames
  std::vector<FrameDrops> found_;
  std::vector<std::int64_t> found_in_;  // numbers of those frames
};

}  // namespace

DropSizing SizeDropsOfClip(const std::string& path, const View& view, const ClipModel& model,
                           const std::vector<std::int64_t>& frames, int threads,
                           const DropSizingOptions& options, std::optional<double> interval_s) {
  if (frames.empty()) {
    DropSizing none;
    none.why = "no frame of the clip lies in this stretch";
    return none;
  }
  Sizer sizer(path, view, model, threads, options);
  DropSizing sizing = sizer.Run(frames);
  if (sizing.verdict == DropVerdict::kNotResolvable) {
    sizing.no_speed = "no drop is large enough in the picture";
  } else if (!interval_s) {
    sizing.no_speed = "the frame rate is not known";
  } else {
    DropSpeedResult speed = sizer.Speed(frames, *interval_s);
    if (speed.speed) {
      if (std::optional<DropSizing> apart = sizer.WithoutRepeats(*speed.speed)) sizing = std::move(*apart);
    }
    sizing.speed = speed.speed;
    sizing.no_speed = std::move(speed.why);
  }
  return sizing;
}

}  // namespace conebook::vision
