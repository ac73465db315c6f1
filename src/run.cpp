#include "src/run.h"

#include <algorithm>

namespace conebook::src {

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
