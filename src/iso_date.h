// Days as ISO 8601 writes them: 2026-11-25.
#pragma once

#include <optional>
#include <string>
#include <string_view>

namespace conebook::src {

// The day with which the text begins ("2026-11-25T10:14:00Z" -> "2026-11-25"); nothing if it is no day.
std::optional<std::string> DayIn(std::string_view text);

// A day as a user states it, or nothing. what: to name in the error. Throws calib::InputError where it is no
// day.
std::optional<std::string> StatedDay(const std::optional<std::string>& text, const std::string& what);

// The day of seconds since 1970, UTC.
std::string DayOfEpoch(double seconds);

// Local time.
std::string Today();

}  // namespace conebook::src
