#include "src/liquid_state.h"

#include <cmath>

#include <fmt/core.h>

#include <calib/error.h>
#include <calib/liquid.h>

namespace conebook::src {
namespace {

using calib::Shared;

constexpr calib::Stated kRoomTemperatureC{20.0, 5.0, true, true};  // where neither rig nor log says
constexpr double kLoggedTemperatureUC = 1.0;

calib::LiquidKind KindOf(const Rig& rig) {
  if (!rig.stand.liquid) return calib::LiquidKind::kWater;
  if (const auto kind = calib::LiquidFromName(*rig.stand.liquid)) return *kind;
  throw calib::InputError(
      fmt::format("{}: [stand] liquid \"{}\" is not known (water, ethanol, isopropanol, kerosene are); "
                  "state its density_kg_m3",
                  rig.path, *rig.stand.liquid));
}

calib::Stated TemperatureOf(const Rig& rig, std::optional<double> logged_temperature_c) {
  calib::Stated temperature = rig.stand.temperature_c.value_or(kRoomTemperatureC);
  if (logged_temperature_c) {
    temperature.value = *logged_temperature_c;
    if (!rig.stand.temperature_c || temperature.u_assumed) temperature.u = kLoggedTemperatureUC;
    temperature.value_assumed = false;
  }
  return temperature;
}

calib::Quantity WithTemperature(const calib::LiquidProperty& property, const calib::Stated& temperature,
                                const std::string& own_source) {
  const std::string source = temperature.u_assumed
                                 ? fmt::format("temperature (assumed {:g} C)", temperature.u)
                                 : std::string("temperature");
  return calib::Combine(property.value,
                        {{source, std::abs(property.per_kelvin) * temperature.u, Shared::kDay},
                         {own_source, property.u_formula, Shared::kDay}});
}

}  // namespace

LiquidState LiquidAt(const Rig& rig, std::optional<double> logged_temperature_c, double pressure_pa) {
  const calib::Stated temperature = TemperatureOf(rig, logged_temperature_c);
  LiquidState state;
  state.temperature_c = temperature.value;
  if (const auto& stated = rig.stand.density_kg_m3) {
    const char* const source = stated->u_assumed ? "density (assumed 0.2 %)" : "density";
    state.density_kg_m3 = calib::Combine(stated->value, {{source, stated->u, Shared::kDay}});
    return state;
  }
  const calib::LiquidProperty density = calib::DensityKgM3(KindOf(rig), temperature.value, pressure_pa);
  state.density_kg_m3 = WithTemperature(density, temperature, "density of the liquid");
  return state;
}

LiquidProperties PropertiesAt(const Rig& rig, std::optional<double> logged_temperature_c) {
  const calib::Stated temperature = TemperatureOf(rig, logged_temperature_c);
  const auto of = [&](const std::optional<calib::Stated>& stated, const std::string& what,
                      const auto& property) -> std::optional<calib::Quantity> {
    if (stated) {
      const std::string source = stated->u_assumed ? what + " (assumed 5 %)" : what;
      return calib::Combine(stated->value, {{source, stated->u, Shared::kDay}});
    }
    if (rig.stand.density_kg_m3) return std::nullopt;
    return WithTemperature(property(KindOf(rig), temperature.value), temperature, what + " of the liquid");
  };
  return {of(rig.stand.viscosity_pa_s, "viscosity", calib::ViscosityPaS),
          of(rig.stand.surface_tension_n_m, "surface tension", calib::SurfaceTensionNM),
          of(rig.stand.vapour_pressure_pa, "vapour pressure", calib::VapourPressurePa)};
}

std::optional<double> ViscosityAt(const Rig& rig, double temperature_c) {
  if (rig.stand.viscosity_pa_s) return rig.stand.viscosity_pa_s->value;
  if (rig.stand.density_kg_m3) return std::nullopt;
  return calib::ViscosityPaS(KindOf(rig), temperature_c).value;
}

std::vector<calib::Flag> LiquidFlags(const Rig& rig, bool temperature_logged) {
  std::vector<calib::Flag> flags;
  if (rig.stand.density_kg_m3) return flags;
  const auto say = [&](const char* code, const char* message, const char* advice) {
    flags.push_back({code, calib::Severity::kInfo, std::nullopt, std::nullopt, message, advice});
  };
  if (!rig.stand.liquid)
    say("liquid_assumed", "no liquid is stated; it was taken to be water", "state [stand] liquid");
  if (!temperature_logged && !rig.stand.temperature_c) {
    say("temperature_assumed", "neither rig nor log gives a temperature; 20 C was assumed, u 5 C",
        "state [stand] temperature_c, or log it");
  }
  return flags;
}

}  // namespace conebook::src
