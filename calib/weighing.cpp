#include "calib/weighing.h"

#include <cmath>
#include <stdexcept>

namespace conebook::calib {

double BuoyancyFactor(double liquid_kg_m3, double air_kg_m3, double weights_kg_m3) {
  return (1.0 - air_kg_m3 / weights_kg_m3) / (1.0 - air_kg_m3 / liquid_kg_m3);
}

Quantity CaughtMassKg(const Weighing& weighing, double liquid_kg_m3, const Air& air) {
  const double factor = BuoyancyFactor(liquid_kg_m3, air.density_kg_m3);
  const double per_air = 1.0 / (liquid_kg_m3 - air.density_kg_m3) - 1.0 / (kWeightsKgM3 - air.density_kg_m3);
  const double mass_kg = weighing.scale_kg * factor;
  return Combine(mass_kg,
                 {{"scale", weighing.u_scale_kg * factor, Shared::kClip},
                  {"density of the air", std::abs(mass_kg * per_air) * air.u_density_kg_m3, Shared::kDay}});
}

Quantity MassFlowKgS(const Weighing& weighing, double liquid_kg_m3, const Air& air) {
  if (!(weighing.scale_kg > 0.0) || !(weighing.time_s > 0.0))
    throw std::logic_error("MassFlowKgS: mass and time must be above zero");
  const Quantity mass_kg = CaughtMassKg(weighing, liquid_kg_m3, air);
  std::vector<Contribution> budget;
  for (Contribution part : mass_kg.budget) {
    part.u /= weighing.time_s;
    budget.push_back(std::move(part));
  }
  const double flow_kg_s = mass_kg.value / weighing.time_s;
  budget.push_back({"stopwatch", flow_kg_s * weighing.u_time_s / weighing.time_s, Shared::kClip});
  return Combine(flow_kg_s, std::move(budget));
}

}  // namespace conebook::calib
