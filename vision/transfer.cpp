#include "vision/transfer.h"

#include <algorithm>
#include <cmath>
#include <cstddef>

namespace conebook::vision {

std::vector<float> LightOfCodeValue(const FootageFormat& format) {
  const std::size_t entries = format.bits > 8 ? 65536U : 256U;
  const double top = std::ldexp(1.0, format.bits) - 1.0;
  const double black = format.full_range ? 0.0 : std::ldexp(16.0, format.bits - 8);
  const double span = format.full_range ? top : std::ldexp(219.0, format.bits - 8);
  std::vector<float> light(entries);
  for (std::size_t code = 0; code < entries; ++code) {
    const double v = std::max(0.0, (static_cast<double>(code) - black) / span);
    double linear = v;
    if (format.transfer != Transfer::kLinear) {
      linear = v < 0.081 ? v / 4.5 : std::pow((v + 0.099) / 1.099, 1.0 / 0.45);
    }
    light[code] = static_cast<float>(linear);
  }
  return light;
}

int BitsOfWhiteLevel(double white_level) {
  int bits = 9;
  while (bits < 16 && white_level > (1 << bits)) ++bits;
  return bits;
}

int ClippedCodeValue(const FootageFormat& format) {
  // A little below full scale: compression rounds clipped areas down.
  const double top =
      format.full_range ? std::ldexp(1.0, format.bits) - 1.0 : std::ldexp(235.0, format.bits - 8);
  return static_cast<int>(std::floor(top - std::ldexp(1.5, format.bits - 8)));
}

}  // namespace conebook::vision
