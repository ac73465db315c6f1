// Mass flow by bucket and stopwatch, corrected for the buoyancy of air, in the spirit of ISO 4185:
//   flow = (scale full - scale empty) / time * (1 - air / weights) / (1 - air / liquid)
// Formula from memory. A scale is set with weights of 8000 kg/m3; the liquid pushes more air aside than they
// do, so that it reads 0.105 % light for water. Densities in kg/m3, masses in kg, times in s.
#pragma once

#include "calib/quantity.h"

namespace conebook::calib {

struct Air {
  double density_kg_m3 = 1.2;
  double u_density_kg_m3 = 0.03;  // weather, room, and some hundred metres of altitude
};

inline constexpr double kWeightsKgM3 = 8000.0;

double BuoyancyFactor(double liquid_kg_m3, double air_kg_m3 = Air{}.density_kg_m3,
                      double weights_kg_m3 = kWeightsKgM3);

struct Weighing {
  double scale_kg = 0.0, u_scale_kg = 0.0;  // full less empty, as the scale shows it
  double time_s = 0.0, u_time_s = 0.0;      // start and stop together
};

// True mass caught; u of the scale and of the air.
Quantity CaughtMassKg(const Weighing& weighing, double liquid_kg_m3, const Air& air = {});

// Throws std::logic_error where mass or time is not above zero.
Quantity MassFlowKgS(const Weighing& weighing, double liquid_kg_m3, const Air& air = {});

}  // namespace conebook::calib
