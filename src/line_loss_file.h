// The line file that `conebook calibrate line` writes and [stand] line_loss names: [line] k_per_m4,
// u_k_per_m4, dof, date, expires. Loss in Pa = k * density in kg/m3 * (flow in m3/s)^2, see
// calib/line_loss.h.
#pragma once

#include <limits>
#include <string>

namespace conebook::src {

struct LineLossFile {
  double k_per_m4 = 0.0, u_k_per_m4 = 0.0;
  double dof = std::numeric_limits<double>::infinity();
  std::string date, expires;  // days; expires may be empty: not stated
};

// Throws calib::InputError.
LineLossFile ReadLineLossFile(const std::string& path);

// remark: a line for people.
std::string LineLossFileText(const LineLossFile& file, const std::string& remark);

}  // namespace conebook::src
