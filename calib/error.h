// The one error for bad input: what a user gave us cannot be used. The text is for the user, complete, and at
// most a few lines: file, place, what was expected, what was found, what to do.
#pragma once

#include <stdexcept>
#include <string>

namespace conebook::calib {

class InputError : public std::runtime_error {
 public:
  explicit InputError(const std::string& message_for_user) : std::runtime_error(message_for_user) {}
};

}  // namespace conebook::calib
