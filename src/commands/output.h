// Where a command's results go: a file, or standard output for "-".
#pragma once

#include <optional>
#include <string>

namespace conebook::src {

// Nothing on disk is changed. Throws calib::InputError.
void CheckOutput(const std::optional<std::string>& path);

void WriteOutput(const std::string& path, const std::string& bytes);

// At the end of a command. Throws calib::InputError where standard output did not take it all.
void FlushOutput();

}  // namespace conebook::src
