// What an injector plate is to do, and what it can be made with: the target file of `conebook size` (TOML).
//
//   [target]  total_flow_kg_s, pressure_drop_bar, cone_half_angle_deg = [from, to]; flow_within_percent = 5.0
//   [liquid]  name (water, ethanol, isopropanol, kerosene), temperature_c; or density_kg_m3, viscosity_pa_s,
//             vapour_pressure_pa and critical_temperature_c of a liquid of one's own
//   [chamber] pressure_bar (absolute, behind the elements); gas_density_kg_m3 (optional)
//   [plate]   diameter_mm, wall_clearance_mm (chamber wall to the nearest element's axis), least_pitch_mm;
//             wall_diameter_mm (left out: diameter_mm), layout = "rings" | "hexagonal" (left out: both),
//             elements = [fewest, most] (left out: 1 to 400)
//   [drills]  inlet_mm, exit_mm, chamber_mm, inlet_count: lists; exit_length_mm: a list, or
//             exit_length_diameters: one number; tolerance_mm: half width of a hole's diameter (0.02)
#pragma once

#include <optional>
#include <string>
#include <vector>

#include <calib/ring_layout.h>

#include "src/size_model.h"

namespace conebook::src {

struct SizeLiquid {
  std::string name;  // "water", ..; empty: of one's own
  double temperature_c = 20.0;
  double density_kg_m3 = 0.0, u_ln_density = 0.0, viscosity_pa_s = 0.0, vapour_pressure_pa = 0.0;
  double critical_temperature_c = 0.0;
};

// Of a liquid known by name. Throws calib::InputError: not known (place says where), or out of its range.
SizeLiquid LiquidByName(const std::string& name, double temperature_c, double pressure_pa,
                        const std::string& place);

// Refuses what a cold single-phase law says nothing of: a liquid that boils at the pressure behind the
// element (vapour pressure above 1 / 1.2 of it), or is nearer to its critical temperature than a tenth of it
// (in kelvin; common practice, no source). Throws calib::InputError.
void RefuseFlashing(const SizeLiquid& liquid, double chamber_bar, const std::string& place);

struct SizeTarget {
  std::string path;
  double total_flow_kg_s = 0.0, pressure_drop_bar = 0.0, flow_within_percent = 5.0;
  double angle_lo_deg = 0.0, angle_hi_deg = 0.0;
  SizeLiquid liquid;
  double chamber_bar = 0.0;
  std::optional<double> gas_density_kg_m3;
  double plate_diameter_mm = 0.0, wall_clearance_mm = 0.0, least_pitch_mm = 0.0, wall_diameter_mm = 0.0;
  std::optional<calib::LayoutKind> layout;
  int fewest = 1, most = 400;
  std::vector<double> inlet_mm, exit_mm, chamber_mm, exit_length_mm;
  std::vector<int> inlet_counts;
  std::optional<double> exit_length_diameters;
  double tolerance_mm = 0.02;

  calib::PlateSpace Space() const;
  SizeFlow Flow() const;
};

// Throws calib::InputError naming file, line and key.
SizeTarget ReadSizeTarget(const std::string& path);

}  // namespace conebook::src
