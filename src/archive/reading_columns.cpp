#include "src/archive/reading_columns.h"

#include <fmt/format.h>

namespace conebook::src {

const std::vector<SharedQuantity>& SharedQuantities() {
  static const std::vector<SharedQuantity> kQuantities{
      {"flow_area", "/flow_area_mm2"},
      {"cd", "/cd"},
      {"half_angle_mean", "/half_angle_deg/mean"},
      {"half_angle_left", "/half_angle_deg/left"},
      {"half_angle_right", "/half_angle_deg/right"},
      {"lean", "/half_angle_deg/lean"},
      {"sheet_half_angle", "/sheet_half_angle_deg"},
      {"cone_half_angle", "/cone_half_angle_deg"},
      {"breakup", "/breakup_mm"},
      {"d32", "/d32_um"},
  };
  return kQuantities;
}

const std::vector<std::string>& SetupNumbers() {
  static const std::vector<std::string> kNumbers = [] {
    std::vector<std::string> names{"inlet_count"};
    for (const char* length : {"inlet_diameter_mm", "inlet_edge_radius_mm", "chamber_diameter_mm",
                               "chamber_length_mm", "exit_diameter_mm", "exit_length_mm"}) {
      names.emplace_back(length);
      names.push_back(std::string("u_") + length);
    }
    return names;
  }();
  return kNumbers;
}

std::string SetupColumns() {
  std::string columns =
      "sha256 TEXT, role TEXT, mount TEXT, rig_shared TEXT, meter_shared TEXT, liquid TEXT, illumination "
      "TEXT,"
      " lean_against TEXT, measured_by TEXT, rotation_deg REAL, near_mm REAL, far_mm REAL, log_t0_s REAL";
  for (const std::string& name : SetupNumbers()) columns += fmt::format(", {} REAL", name);
  return columns;
}

std::string ReadingColumns() {
  std::string columns =
      "sha256 TEXT, n INTEGER, direction TEXT, cd_area TEXT, cd_area_mm2 REAL, u_pulsation_amplitude_deg "
      "REAL,"
      " grain_index REAL, u_grain_index REAL, scatter_deg REAL, u_scatter_deg REAL, d32_cutoff_um REAL";
  for (const SharedQuantity& quantity : SharedQuantities()) {
    for (const calib::Shared shared : kAllShared)
      columns += fmt::format(", {}_{} REAL", quantity.name, calib::NameOf(shared));
  }
  return columns;
}

}  // namespace conebook::src
