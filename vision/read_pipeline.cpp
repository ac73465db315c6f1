#include "vision/read_pipeline.h"

#include <algorithm>
#include <condition_variable>
#include <cstdlib>
#include <exception>
#include <mutex>
#include <thread>
#include <vector>

#include "vision/footage.h"
#include "vision/read_frame.h"

namespace conebook::vision {
namespace {

struct Slot {
  enum class State { kEmpty, kFilled, kTaken, kDone };
  State state = State::kEmpty;
  LumaFrame frame;
  FrameRecord record;
};

int ThreadsOf(const ReadOptions& options) {
  return options.threads > 0 ? options.threads
                             : std::max(1, static_cast<int>(std::thread::hardware_concurrency()));
}

// A ring of slots between one decoder and several readers; records leave it in frame order.
class Ring {
 public:
  Ring(const ClipModel& model, RecordSpool& spool, std::size_t slots)
      : model_(model), spool_(spool), slots_(slots) {}

  // False: a reader failed.
  bool Put(const LumaFrame& frame) {
    std::unique_lock lock(mutex_);
    Slot& slot = slots_[put_ % slots_.size()];
    changed_.wait(lock, [&] { return failure_ || slot.state == Slot::State::kEmpty; });
    if (failure_) return false;
    slot.frame = frame;
    slot.state = Slot::State::kFilled;
    ++put_;
    changed_.notify_all();
    return true;
  }

  void Close() {
    const std::lock_guard lock(mutex_);
    closed_ = true;
    changed_.notify_all();
  }

  void Work() {
    ReadScratch scratch;
    const ReadFrameOptions options;
    for (;;) {
      Slot* slot = nullptr;
      {
        std::unique_lock lock(mutex_);
        changed_.wait(lock, [&] { return failure_ || closed_ || take_ < put_; });
        if (failure_ || take_ == put_) return;
        slot = &slots_[take_ % slots_.size()];
        ++take_;
        slot->state = Slot::State::kTaken;
      }
      try {
        ReadFrame(model_, slot->frame, options, scratch, slot->record);
        const std::lock_guard lock(mutex_);
        slot->state = Slot::State::kDone;
        slot->frame = LumaFrame{};
        while (out_ < put_ && slots_[out_ % slots_.size()].state == Slot::State::kDone) {
          Slot& ready = slots_[out_ % slots_.size()];
          spool_.Append(ready.record);
          ready.state = Slot::State::kEmpty;
          ++out_;
        }
        changed_.notify_all();
      } catch (...) {
        const std::lock_guard lock(mutex_);
        if (!failure_) failure_ = std::current_exception();
        changed_.notify_all();
        return;
      }
    }
  }

  std::exception_ptr Failure() const { return failure_; }

 private:
  const ClipModel& model_;
  RecordSpool& spool_;
  std::mutex mutex_;
  std::condition_variable changed_;
  std::vector<Slot> slots_;
  std::size_t put_ = 0, take_ = 0, out_ = 0;
  bool closed_ = false;
  std::exception_ptr failure_;
};

// How much of the picture changes from frame to frame, on a coarse grid of its pixels.
class ChangeWatch {
 public:
  explicit ChangeWatch(const FootageFormat& format) : format_(format) {}

  float Since(const LumaFrame& frame) {
    now_.clear();
    for (int y = 3; y < format_.stored_height_px; y += 7) {
      for (int x = 2; x < format_.stored_width_px; x += 9) {
        now_.push_back(format_.bits > 8 ? frame.Row<std::uint16_t>(y)[x] : frame.Row<std::uint8_t>(y)[x]);
      }
    }
    // More than a codec makes of the same picture again.
    const int least = 5 << (std::max(8, format_.bits) - 8);
    std::size_t moved = 0;
    for (std::size_t k = 0; k < before_.size(); ++k)
      moved += std::abs(now_[k] - before_[k]) > least ? 1U : 0U;
    const float share =
        before_.empty() || now_.empty() ? 1.0F : static_cast<float>(moved) / static_cast<float>(now_.size());
    std::swap(now_, before_);
    return share;
  }

 private:
  const FootageFormat& format_;
  std::vector<int> now_, before_;
};

}  // namespace

DecodeOutcome ReadAllFrames(const std::string& path, const View& view, const ClipModel& model,
                            const ReadOptions& options, RecordSpool& spool, StillKeeper& stills) {
  const int threads = ThreadsOf(options);
  FootageOptions footage_options;
  footage_options.threads = threads;
  footage_options.white_level = view.white_level;
  const std::unique_ptr<Footage> footage = OpenFootage(path, footage_options);
  DecodeOutcome outcome;
  ChangeWatch changes(model.format);
  Ring ring(model, spool, static_cast<std::size_t>(2 * threads + 2));
  std::vector<std::thread> workers;
  std::exception_ptr failure;
  for (int i = 0; i < threads; ++i) workers.emplace_back([&ring] { ring.Work(); });
  try {
    LumaFrame frame;
    const double declared = static_cast<double>(footage->Format().declared_frames.value_or(0));
    while (footage->Next(frame)) {
      if (options.should_stop && options.should_stop()) throw Interrupted{};
      ++outcome.frames;
      frame.changed = changes.Since(frame);
      stills.Offer(frame);
      if (!ring.Put(frame)) break;
      if (options.on_progress && declared > 0.0) {
        options.on_progress(std::min(1.0, static_cast<double>(outcome.frames) / declared));
      }
    }
    outcome.errors = footage->DecodeErrors();
  } catch (...) {
    failure = std::current_exception();
  }
  ring.Close();
  for (std::thread& worker : workers) worker.join();
  if (failure) std::rethrow_exception(failure);
  if (ring.Failure()) std::rethrow_exception(ring.Failure());
  return outcome;
}

DecodeOutcome CountFrames(const std::string& path, const View& view, const ReadOptions& options,
                          std::vector<double>& stamps_s) {
  FootageOptions footage_options;
  footage_options.threads = options.threads;
  footage_options.white_level = view.white_level;
  const std::unique_ptr<Footage> footage = OpenFootage(path, footage_options);
  DecodeOutcome outcome;
  LumaFrame frame;
  while (footage->Next(frame)) {
    if (options.should_stop && options.should_stop()) throw Interrupted{};
    ++outcome.frames;
    stamps_s.push_back(frame.stamp_s);
  }
  outcome.errors = footage->DecodeErrors();
  return outcome;
}

}  // namespace conebook::vision
