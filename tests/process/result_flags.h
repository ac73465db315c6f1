// The flags of a result file, as the reader of JSON gives them.
#pragma once

#include <string>

namespace conebook::tests {

// null: the result has no such flag.
template <typename Json>
Json FlagOf(const Json& result, const std::string& code) {
  for (const Json& flag : result["flags"]) {
    if (flag["code"] == code) return flag;
  }
  return nullptr;
}

template <typename Json>
bool HasFlag(const Json& result, const std::string& code) {
  return !FlagOf(result, code).is_null();
}

}  // namespace conebook::tests
