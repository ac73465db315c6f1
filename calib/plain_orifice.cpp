#include "calib/plain_orifice.h"

#include <cmath>

namespace conebook::calib {

std::optional<double> PlainOrificeCd(double reynolds, double length_over_diameter) {
  const bool in_range =
      reynolds >= 10.0 && reynolds <= 2e4 && length_over_diameter >= 2.0 && length_over_diameter <= 10.0;
  if (!in_range) return std::nullopt;
  const double ultimate = 0.827 - 0.0085 * length_over_diameter;
  const double decade = std::log10(0.00015 * reynolds);
  const double inverse = 1.0 / ultimate + 20.0 / reynolds * (1.0 + 2.25 * length_over_diameter) -
                         0.005 * length_over_diameter / (1.0 + 7.5 * decade * decade);
  return 1.0 / inverse;
}

double OrificeFlowKgS(double cd, double area_mm2, double density_kg_m3, double pressure_drop_bar) {
  return cd * area_mm2 * 1e-6 * std::sqrt(2.0 * density_kg_m3 * pressure_drop_bar * 1e5);
}

}  // namespace conebook::calib
