// The meter file that `conebook calibrate meter` writes and [meter] calibration names: [meter] rate_unit
// ("pulse_hz", "l_s", "kg_s"), mid_rate, coefficients (K in pulses a litre, or true over indicated flow, as a
// polynomial in rate / mid_rate - 1), their covariance row by row and dof, lowest_rate, highest_rate,
// u_run_percent, u_common_percent, date, expires.
#pragma once

#include <string>

#include <calib/meter_curve.h>

namespace conebook::src {

struct MeterFile {
  calib::MeterCurve curve;
  std::string date, expires;  // days; expires may be empty: not stated
};

const char* RateUnitOf(calib::MeterKind kind);

// Throws calib::InputError.
MeterFile ReadMeterFile(const std::string& path);

// remark: a line for people.
std::string MeterFileText(const MeterFile& file, const std::string& remark);

}  // namespace conebook::src
