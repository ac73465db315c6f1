// The stand's liquid at a point: its density with the sources of its uncertainty.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include <calib/flag.h>
#include <calib/quantity.h>

#include "src/rig.h"

namespace conebook::src {

struct LiquidState {
  calib::Quantity density_kg_m3;
  double temperature_c = 0.0;
};

// logged_temperature_c: from the log, instead of the rig's. pressure_pa absolute. Throws calib::InputError
// for a liquid that is not known and has no density.
LiquidState LiquidAt(const Rig& rig, std::optional<double> logged_temperature_c, double pressure_pa);

// At the temperature that LiquidAt takes. Nothing: the rig states the liquid's density, but not this one.
struct LiquidProperties {
  std::optional<calib::Quantity> viscosity_pa_s, surface_tension_n_m, vapour_pressure_pa;
};
LiquidProperties PropertiesAt(const Rig& rig, std::optional<double> logged_temperature_c);

// Nothing: the rig states the density of a liquid, not its viscosity.
std::optional<double> ViscosityAt(const Rig& rig, double temperature_c);

// What was assumed about the liquid.
std::vector<calib::Flag> LiquidFlags(const Rig& rig, bool temperature_logged);

}  // namespace conebook::src
