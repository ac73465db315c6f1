// Numbers as the renderer's files hold them: eight digits; null where there is none.
#pragma once

#include <cmath>
#include <optional>
#include <string>

#include <fmt/format.h>

namespace conebook::render {

inline std::string Number(double v) {
  return std::isfinite(v) ? fmt::format("{:.8g}", v) : "null";
}
inline std::string Number(std::optional<double> v) {
  return v ? Number(*v) : "null";
}

}  // namespace conebook::render
