#include "src/commands/progress.h"

#include <cstdio>

#include <fmt/core.h>
#include <unistd.h>

namespace conebook::src {
namespace {

bool Watched(bool quiet) {
  return !quiet && isatty(STDERR_FILENO) == 1;
}

}  // namespace

std::function<void(double)> ProgressLine(const std::string& what, bool quiet) {
  if (!Watched(quiet)) return {};
  return [what, shown = -1](double share) mutable {
    const int percent = static_cast<int>(100.0 * share);
    if (percent == shown) return;
    shown = percent;
    fmt::print(stderr, "\r\033[K{}: {} %", what, percent);
    std::fflush(stderr);
  };
}

void ProgressNote(const std::string& text, bool quiet) {
  if (!Watched(quiet)) return;
  fmt::print(stderr, "\r\033[K{}\n", text);
  std::fflush(stderr);
}

void EndProgress(bool quiet) {
  if (!Watched(quiet)) return;
  fmt::print(stderr, "\r\033[K");
  std::fflush(stderr);
}

}  // namespace conebook::src
