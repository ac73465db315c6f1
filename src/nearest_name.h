// For error messages: which of the known names did the user most likely mean?
#pragma once

#include <optional>
#include <string>
#include <vector>

namespace conebook::src {

// The known name with the smallest edit distance (insert, delete, replace, swap neighbours), the first of
// equals; nothing when known is empty or none is even remotely alike.
std::optional<std::string> NearestName(const std::string& name, const std::vector<std::string>& known);

}  // namespace conebook::src
