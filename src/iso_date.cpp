#include "src/iso_date.h"

#include <algorithm>
#include <charconv>
#include <chrono>
#include <cmath>
#include <ctime>
#include <regex>

#include <fmt/format.h>

#include <calib/error.h>

namespace conebook::src {
namespace {

std::optional<int> Digits(std::string_view text) {
  int value = 0;
  const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), value);
  if (error != std::errc() || end != text.data() + text.size() || text.front() == '-') return std::nullopt;
  return value;
}

std::string Written(std::chrono::year_month_day day) {
  return fmt::format("{:04}-{:02}-{:02}", static_cast<int>(day.year()), static_cast<unsigned>(day.month()),
                     static_cast<unsigned>(day.day()));
}

}  // namespace

std::optional<std::string> DayIn(std::string_view text) {
  constexpr std::size_t kLength = 10;
  if (text.size() < kLength || text[4] != '-' || text[7] != '-') return std::nullopt;
  if (text.size() > kLength && text[kLength] >= '0' && text[kLength] <= '9') return std::nullopt;
  const auto year = Digits(text.substr(0, 4)), month = Digits(text.substr(5, 2)),
             day = Digits(text.substr(8, 2));
  if (!year || !month || !day) return std::nullopt;
  const std::chrono::year_month_day date{std::chrono::year(*year),
                                         std::chrono::month(static_cast<unsigned>(*month)),
                                         std::chrono::day(static_cast<unsigned>(*day))};
  if (!date.ok()) return std::nullopt;
  return std::string(text.substr(0, kLength));
}

std::optional<std::string> StatedDay(const std::optional<std::string>& text, const std::string& what) {
  if (text && (DayIn(*text) != text))
    throw calib::InputError(
        fmt::format("{}: expected a day such as \"2031-05-04\", found \"{}\"", what, *text));
  return text;
}

std::optional<ClockTime> ClockTimeIn(std::string text) {
  static const std::regex kForm(
      R"((\d{4})-(\d{2})-(\d{2})[T ](\d{2}):(\d{2})(?::(\d{2}(?:[.]\d+)?))?\s*(Z|[+-]\d{2}:?\d{2})?)");
  std::replace(text.begin(), text.end(), ',', '.');
  std::smatch part;
  if (!std::regex_match(text, part, kForm)) return std::nullopt;
  const int month = std::stoi(part[2]), day = std::stoi(part[3]);
  if (month < 1 || month > 12 || day < 1 || day > 31) return std::nullopt;
  const std::chrono::sys_days date = std::chrono::year(std::stoi(part[1])) /
                                     std::chrono::month(static_cast<unsigned>(month)) /
                                     std::chrono::day(static_cast<unsigned>(day));
  ClockTime time;
  time.epoch_s = static_cast<double>(date.time_since_epoch().count()) * 86400.0 +
                 std::stoi(part[4]) * 3600.0 + std::stoi(part[5]) * 60.0;
  if (part[6].matched) {
    const double seconds = std::stod(part[6]);
    time.epoch_s += seconds;
    time.whole_seconds = seconds == std::floor(seconds);
  }
  const std::string zone = part[7];
  if (!zone.empty()) time.zone = zone == "Z" ? ClockTime::Zone::kUtc : ClockTime::Zone::kOffset;
  if (zone.size() >= 5) {
    const double offset_s =
        std::stoi(zone.substr(1, 2)) * 3600.0 + std::stoi(zone.substr(zone.size() - 2)) * 60.0;
    time.epoch_s += zone.front() == '-' ? offset_s : -offset_s;
  }
  return time;
}

std::string TimeOfDay(double epoch_s) {
  constexpr long long kDayS = 86400;
  const long long second = ((static_cast<long long>(std::floor(epoch_s)) % kDayS) + kDayS) % kDayS;
  return fmt::format("{:02}:{:02}:{:02}", second / 3600, second / 60 % 60, second % 60);
}

std::string DayOfEpoch(double seconds) {
  const std::chrono::sys_seconds at{std::chrono::seconds(static_cast<long long>(std::floor(seconds)))};
  return Written(std::chrono::year_month_day(std::chrono::floor<std::chrono::days>(at)));
}

std::string Today() {
  const std::time_t now = std::time(nullptr);
  std::tm local{};
  localtime_r(&now, &local);
  return fmt::format("{:04}-{:02}-{:02}", local.tm_year + 1900, local.tm_mon + 1, local.tm_mday);
}

}  // namespace conebook::src
