#include "src/line_loss_file.h"

#include <fmt/core.h>

#include "src/file_section.h"

namespace conebook::src {

LineLossFile ReadLineLossFile(const std::string& path) {
  const FileSection section(path, "line",
                            {"k_per_m4", "u_k_per_m4", "dof", "date", "expires", "meter", "k_share_by_meter",
                             "sensor", "k_share_by_sensor"},
                            "calibrate line");
  LineLossFile file;
  file.k_per_m4 = section.Number("k_per_m4", 0.0);
  file.u_k_per_m4 = section.Number("u_k_per_m4", 0.0, true);
  file.dof = section.Number("dof", 0.0);
  file.date = section.Day("date");
  file.expires = section.Day("expires");
  file.meter = section.Text("meter");
  if (!file.meter.empty()) file.k_share_by_meter = section.Number("k_share_by_meter");
  file.sensor = section.Text("sensor");
  if (!file.sensor.empty()) file.k_share_by_sensor = section.Number("k_share_by_sensor");
  return file;
}

std::string LineLossFileText(const LineLossFile& file, const std::string& remark) {
  std::string shared;
  if (!file.meter.empty())
    shared += TextLine("meter", file.meter) + NumberLine("k_share_by_meter", file.k_share_by_meter);
  if (!file.sensor.empty())
    shared += TextLine("sensor", file.sensor) + NumberLine("k_share_by_sensor", file.k_share_by_sensor);
  return fmt::format("# {}\n# loss in Pa = k * density in kg/m3 * (flow in m3/s)^2\n[line]\n", remark) +
         NumberLine("k_per_m4", file.k_per_m4) + NumberLine("u_k_per_m4", file.u_k_per_m4) +
         NumberLine("dof", file.dof) + DayLines(file.date, file.expires) + shared;
}

}  // namespace conebook::src
