// A remark that travels with a result: why a number is missing, doubtful, or resting on an assumption.
#pragma once

#include <optional>
#include <string>

namespace conebook::calib {

enum class Severity { kInfo, kWarn, kReject };

struct Flag {
  std::string code;  // snake_case, stable: part of the result file's contract
  Severity severity = Severity::kInfo;
  std::optional<int> point;             // index of the pressure point, from 0; nothing: the whole clip
  std::optional<std::string> quantity;  // key of the result file, for instance "breakup_mm"
  std::string message;                  // what was seen, with figures and units
  std::string advice;                   // what to change on the stand; may be empty for kInfo
};

}  // namespace conebook::calib
