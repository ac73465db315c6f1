#include "src/line_loss_file.h"

#include <fmt/core.h>

#include "src/file_section.h"

namespace conebook::src {

LineLossFile ReadLineLossFile(const std::string& path) {
  const FileSection section(path, "line", {"k_per_m4", "u_k_per_m4", "dof", "date", "expires"},
                            "calibrate line");
  LineLossFile file;
  file.k_per_m4 = section.Number("k_per_m4", 0.0);
  file.u_k_per_m4 = section.Number("u_k_per_m4", 0.0, true);
  file.dof = section.Number("dof", 0.0);
  file.date = section.Day("date");
  file.expires = section.Day("expires");
  return file;
}

std::string LineLossFileText(const LineLossFile& file, const std::string& remark) {
  return fmt::format("# {}\n# loss in Pa = k * density in kg/m3 * (flow in m3/s)^2\n[line]\n", remark) +
         NumberLine("k_per_m4", file.k_per_m4) + NumberLine("u_k_per_m4", file.u_k_per_m4) +
         NumberLine("dof", file.dof) + DayLines(file.date, file.expires);
}

}  // namespace conebook::src
