// Earlier results, typed in or from an older table (CSV, one row a pressure point), as records marked
// imported. Nothing of them was measured by this program, and nothing mixes them unmarked with what was.
//
// Columns: element and a pressure drop (pressure_bar, pressure_kpa, pressure_mpa or pressure_psi), and any of
//   flow (flow_kg_s, flow_g_s, flow_l_min, flow_lpm, flow_ml_s), u_ of either in the same unit, batch, date,
//   liquid, temperature_c, exit_diameter_mm (for Cd), half_angle_deg, u_half_angle_deg, breakup_mm,
//   u_breakup_mm, notes
#pragma once

#include <string>
#include <vector>

#include "src/archive/record.h"
#include "src/csv_table.h"

namespace conebook::src {

bool LooksLikeEarlierResults(const CsvTable& table);

struct EarlierResults {
  std::vector<Record> records;  // one an element and day
  std::vector<std::string> ignored;
  int points = 0;
};

// Throws calib::InputError naming file, line and column.
EarlierResults ReadEarlierResults(const CsvTable& table);

}  // namespace conebook::src
