// A table file's text as lines in UTF-8: byte order marks taken off, UTF-16 converted, any line ends.
#pragma once

#include <string>
#include <vector>

namespace conebook::src {

// Line k is element k - 1. Throws calib::InputError: cannot be opened, a directory, not text.
std::vector<std::string> ReadTextLines(const std::string& path);

}  // namespace conebook::src
