#include "src/run.h"

#include <algorithm>

namespace conebook::src {

const char* NameOf(Verdict verdict) {
  switch (verdict) {
    case Verdict::kOk:
      return "ok";
    case Verdict::kFlagged:
      return "flagged";
    case Verdict::kRejected:
      return "rejected";
  }
  return "rejected";
}

const char* NameOf(Direction direction) {
  switch (direction) {
    case Direction::kRising:
      return "rising";
    case Direction::kFalling:
      return "falling";
    case Direction::kUnknown:
      return "unknown";
  }
  return "unknown";
}

Verdict Run::GetVerdict() const {
  using calib::Severity;
  bool doubtful = false;
  for (const calib::Flag& flag : flags) {
    if (flag.severity == Severity::kReject && !flag.point) return Verdict::kRejected;
    doubtful = doubtful || flag.severity != Severity::kInfo;
  }
  return doubtful ? Verdict::kFlagged : Verdict::kOk;
}

}  // namespace conebook::src
