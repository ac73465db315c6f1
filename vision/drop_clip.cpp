#include "vision/drop_clip.h"

#include <algorithm>
#include <exception>
#include <thread>
#include <utility>

#include <opencv2/imgproc.hpp>

#include "vision/outline.h"
#include "vision/scene.h"
#include "vision/statistics.h"

namespace conebook::vision {
namespace {

constexpr std::size_t kChunk = 8;     // frames held at a time
constexpr int kFewForBackground = 8;  // fewer: drops stay in a median over time
constexpr std::size_t kFramesForOpaque = 6;

// Light between the drops of a single picture: a high quantile of boxes, linear in between.
cv::Mat1f LightBetween(const cv::Mat1f& light) {
  constexpr int kBoxPx = 96, kStepPx = 3;
  constexpr double kHigh = 0.7;
  const int nx = std::max(1, light.cols / kBoxPx);
  const int ny = std::max(1, light.rows / kBoxPx);
  cv::Mat1f coarse(ny, nx);
  std::vector<double> values;
  for (int j = 0; j < ny; ++j) {
    for (int i = 0; i < nx; ++i) {
      values.clear();
      for (int y = j * light.rows / ny; y < (j + 1) * light.rows / ny; y += kStepPx) {
        for (int x = i * light.cols / nx; x < (i + 1) * light.cols / nx; x += kStepPx)
          values.push_back(static_cast<double>(light(y, x)));
      }
      coarse(j, i) = static_cast<float>(QuantileInPlace(values, kHigh));
    }
  }
  cv::Mat1f even;
  cv::resize(coarse, even, light.size(), 0.0, 0.0, cv::INTER_LINEAR);
  return even;
}

class Sizer {
 public:
  Sizer(const std::string& path, const View& view, const ClipModel& model, int threads,
        const DropSizingOptions& options)
      : path_(path), view_(view), model_(model), options_(options) {
    threads_ = threads > 0 ? threads : std::max(1, static_cast<int>(std::thread::hardware_concurrency()));
  }

  DropSizing Run(const std::vector<std::int64_t>& frames) {
    own_background_ = model_.background_frames == 0 && static_cast<int>(frames.size()) < kFewForBackground;
    std::vector<cv::Mat1f> shades;
    TakeFrames(path_, view_, {Evenly(frames, kFramesForOpaque)}, threads_,
               [&](std::size_t, const std::vector<LumaFrame>& taken) {
                 for (const LumaFrame& frame : taken) shades.push_back(Shade(frame));
               });
    opaque_ = OpaqueShade(shades);
    shades.clear();
    const std::vector<std::int64_t> picked =
        Evenly(frames, static_cast<std::size_t>(std::max(1, options_.most_frames)));
    std::vector<std::vector<std::int64_t>> chunks;
    for (std::size_t k = 0; k < picked.size(); k += kChunk) {
      const std::size_t end = std::min(k + kChunk, picked.size());
      chunks.emplace_back(picked.begin() + static_cast<std::ptrdiff_t>(k),
                          picked.begin() + static_cast<std::ptrdiff_t>(end));
    }
    std::vector<FrameDrops> found;
    TakeFrames(path_, view_, chunks, threads_, [&](std::size_t, const std::vector<LumaFrame>& taken) {
      const std::vector<FrameDrops> of_chunk = FindIn(taken);
      found.insert(found.end(), of_chunk.begin(), of_chunk.end());
    });
    return SizeDrops(found, model_.reading.width_px, model_.reading.height_px, opaque_, options_);
  }

 private:
  static std::vector<std::int64_t> Evenly(const std::vector<std::int64_t>& frames, std::size_t most) {
    if (frames.size() <= most) return frames;
    std::vector<std::int64_t> picked;
    for (std::size_t k = 0; k < most; ++k) picked.push_back(frames[(2 * k + 1) * frames.size() / (2 * most)]);
    return picked;
  }

  cv::Mat1f Shade(const LumaFrame& frame) const {
    if (!own_background_) return ShadeOf(model_, frame);
    ClipModel model = model_;
    model.background = LightBetween(LightImage(model_, frame));
    return ShadeOf(model, frame);
  }

  // Each frame is worked on alone and comes out in its place.
  std::vector<FrameDrops> FindIn(const std::vector<LumaFrame>& taken) const {
    std::vector<FrameDrops> found(taken.size());
    std::vector<std::exception_ptr> failures(static_cast<std::size_t>(threads_));
    const auto work = [&](std::size_t worker) {
      try {
        for (std::size_t k = worker; k < taken.size(); k += static_cast<std::size_t>(threads_))
          found[k] = FindDrops(Shade(taken[k]), opaque_, discs_, options_.finder);
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
  double opaque_ = 1.0;
};

}  // namespace

DropSizing SizeDropsOfClip(const std::string& path, const View& view, const ClipModel& model,
                           const std::vector<std::int64_t>& frames, int threads,
                           const DropSizingOptions& options) {
  if (frames.empty()) {
    DropSizing none;
    none.why = "no frame of the clip lies in this stretch";
    return none;
  }
  return Sizer(path, view, model, threads, options).Run(frames);
}

}  // namespace conebook::vision
