// Checks of a rig with known cones or triangles, kept in one TOML file beside the rig: `conebook calibrate
// cone` adds a [[check]] each time, [camera] cone_checks names the file, and the half angle's budget quotes
// the last day of it. Half angles in degrees.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include <calib/quantity.h>
#include <vision/view.h>

namespace conebook::src {

struct ConeCheck {
  std::string date;                         // ISO 8601 day
  std::string clip, sha256;                 // what was filmed
  std::string shape;                        // "cone" or "triangle"
  calib::Quantity known_deg, measured_deg;  // value and u alone
  // Tilts beyond these would not explain the difference, 95 %; nothing: none would.
  std::optional<double> tilt_lo95_deg, tilt_hi95_deg;

  double Difference_deg() const { return measured_deg.value - known_deg.value; }
  double U_deg() const;  // of the difference
};

// In the order of their dates. Throws calib::InputError.
std::vector<ConeCheck> ReadConeChecks(const std::string& path);

// To append to such a file.
std::string ConeCheckText(const ConeCheck& check);

// The checks of the last day; nothing where there are none.
std::optional<vision::KnownCones> LastConeChecks(const std::vector<ConeCheck>& checks);

}  // namespace conebook::src
