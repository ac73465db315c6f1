// Whether a code is among flags.
#pragma once

#include <algorithm>
#include <string>
#include <vector>

#include <calib/flag.h>

namespace conebook::testing {

inline bool Has(const std::vector<calib::Flag>& flags, const std::string& code) {
  return std::any_of(flags.begin(), flags.end(), [&](const calib::Flag& flag) { return flag.code == code; });
}

}  // namespace conebook::testing
