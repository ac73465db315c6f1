// Days and moments as ISO 8601 writes them: 2026-11-25, 2026-11-25T10:14:00Z.
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

// A moment as a clock showed it.
struct ClockTime {
  enum class Zone { kNone, kUtc, kOffset };
  double epoch_s = 0.0;     // since 1970; without a zone as if the clock showed UTC
  Zone zone = Zone::kNone;  // as written: none, Z, or hours and minutes
  bool whole_seconds = true;
};

// "2031-05-04T12:34:56.789Z"; the zone is optional, a blank may stand for the T, seconds may be missing.
std::optional<ClockTime> ClockTimeIn(std::string text);

// "12:34:56", on the clock that the seconds are of.
std::string TimeOfDay(double epoch_s);

// The day of seconds since 1970, UTC.
std::string DayOfEpoch(double seconds);

// Local time.
std::string Today();

}  // namespace conebook::src
