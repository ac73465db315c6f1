// The line file that `conebook calibrate line` writes and [stand] line_loss names: [line] k_per_m4,
// u_k_per_m4, dof, date, expires, and what k owes to meter and sensor: where a test uses the same ones, their
// errors are in k and in its readings alike and must not be counted twice (GUM, eq. 13). Loss in Pa = k *
// density in kg/m3 * (flow in m3/s)^2, see calib/line_loss.h.
#pragma once

#include <limits>
#include <string>

namespace conebook::src {

struct LineLossFile {
  double k_per_m4 = 0.0, u_k_per_m4 = 0.0;
  double dof = std::numeric_limits<double>::infinity();
  std::string date, expires;  // days; expires may be empty: not stated
  // Which meter and sensor (stand_sensors.h), or empty; and by what share k moves, up or down, where one
  // reads too high by its u.
  std::string meter = {}, sensor = {};
  double k_share_by_meter = 0.0, k_share_by_sensor = 0.0;
};

// Throws calib::InputError.
LineLossFile ReadLineLossFile(const std::string& path);

// remark: a line for people.
std::string LineLossFileText(const LineLossFile& file, const std::string& remark);

}  // namespace conebook::src
