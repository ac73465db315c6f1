// The sensor file that `conebook calibrate pressure` writes and [pressure] calibration names: [pressure] kind
// ("gauge", "absolute": of the reference), zero_bar, span, their u and covariance_bar, dof, u_reading_bar,
// u_reference_percent, lowest_bar, highest_bar, date, expires. Reading = zero_bar + span * true.
#pragma once

#include <string>

#include <calib/pressure_sensor.h>

namespace conebook::src {

struct PressureFile {
  calib::PressureSensor sensor;
  bool absolute = false;
  std::string date, expires;  // days; expires may be empty: not stated
};

// Throws calib::InputError.
PressureFile ReadPressureFile(const std::string& path);

// remark: a line for people.
std::string PressureFileText(const PressureFile& file, const std::string& remark);

}  // namespace conebook::src
