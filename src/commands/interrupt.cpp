#include "src/commands/interrupt.h"

#include <atomic>
#include <csignal>

namespace conebook::src {
namespace {

std::atomic<bool> wanted{false};  // the one thing that a signal handler may touch
static_assert(std::atomic<bool>::is_always_lock_free);

extern "C" void OnSignal(int) {
  wanted.store(true);
}

}  // namespace

void CatchInterrupts() {
  struct sigaction action = {};
  action.sa_handler = OnSignal;
  sigaction(SIGINT, &action, nullptr);
  sigaction(SIGTERM, &action, nullptr);
}

bool InterruptWanted() {
  return wanted.load();
}

}  // namespace conebook::src
