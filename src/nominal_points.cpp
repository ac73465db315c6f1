#include "src/nominal_points.h"

#include <algorithm>
#include <cmath>
#include <string>

#include <fmt/core.h>

namespace conebook::src {
namespace {

constexpr double kToleranceBar = 0.1, kToleranceShare = 0.05;

double ToleranceOf(const NominalPoints& nominal, double bar) {
  return nominal.tolerance_bar.value_or(std::max(kToleranceBar, kToleranceShare * bar));
}

std::string Listed(const std::vector<double>& pressures) {
  std::string text;
  for (const double bar : pressures) text += fmt::format("{}{:g}", text.empty() ? "" : ", ", bar);
  return text;
}

}  // namespace

void MatchNominal(const NominalPoints& nominal, std::vector<Point>& points, std::vector<calib::Flag>& flags) {
  const char* const quantity = "nominal_bar";
  std::vector<bool> held(nominal.bar.size(), false);
  for (std::size_t k = 0; k < points.size(); ++k) {
    Point& point = points[k];
    if (!point.pressure_bar) continue;
    const double bar = point.pressure_bar->value;
    std::size_t nearest = 0;
    for (std::size_t i = 1; i < nominal.bar.size(); ++i) {
      if (std::abs(nominal.bar[i] - bar) < std::abs(nominal.bar[nearest] - bar)) nearest = i;
    }
    if (std::abs(nominal.bar[nearest] - bar) <= ToleranceOf(nominal, nominal.bar[nearest])) {
      held[nearest] = true;
      point.nominal_bar = nominal.bar[nearest];
      continue;
    }
    flags.push_back({"point_not_nominal", calib::Severity::kInfo, static_cast<int>(k), std::string(quantity),
                     fmt::format("{:.2f} bar is none of the nominal pressures; the nearest is {:g} bar, "
                                 "tolerance {:.2g} bar",
                                 bar, nominal.bar[nearest], ToleranceOf(nominal, nominal.bar[nearest])),
                     "set the regulator closer, or state [points] tolerance_bar"});
  }
  std::vector<double> missing;
  for (std::size_t i = 0; i < held.size(); ++i) {
    if (!held[i]) missing.push_back(nominal.bar[i]);
  }
  if (missing.empty()) return;
  flags.push_back({"nominal_not_measured", calib::Severity::kWarn, std::nullopt, std::string(quantity),
                   fmt::format("no steady pressure was found at the nominal {} bar", Listed(missing)),
                   "hold each nominal pressure drop for a second or more; a line loss lowers the drop below "
                   "what the regulator shows"});
}

}  // namespace conebook::src
