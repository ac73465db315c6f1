#include "vision/read_pipeline.h"

#include <algorithm>
#include <condition_variable>
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

}  // namespace

DecodeOutcome ReadAllFrames(const std::string& path, const View& view, const ClipModel& model,
                            const ReadOptions& options, RecordSpool& spool, StillKeeper& stills) {
  const int threads = ThreadsOf(options);
  FootageOptions footage_options;
  footage_options.threads = threads;
  footage_options.white_level = view.white_level;
  const std::unique_ptr<Footage> footage = OpenFootage(path, footage_options);
  DecodeOutcome outcome;
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
