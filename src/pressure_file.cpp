#include "src/pressure_file.h"

#include <cmath>

#include <fmt/core.h>

#include <calib/error.h>

#include "src/file_section.h"

namespace conebook::src {

PressureFile ReadPressureFile(const std::string& path) {
  const FileSection section(
      path, "pressure",
      {"kind", "zero_bar", "u_zero_bar", "span", "u_span", "covariance_bar", "dof", "u_reading_bar",
       "u_reference_percent", "lowest_bar", "highest_bar", "date", "expires"},
      "calibrate pressure");
  PressureFile file;
  calib::PressureSensor& sensor = file.sensor;
  file.absolute = section.Text("kind", {"gauge", "absolute"}) == "absolute";
  sensor.zero_bar = section.Number("zero_bar");
  sensor.u_zero_bar = section.Number("u_zero_bar", 0.0, true);
  sensor.span = section.Number("span", 0.0);
  sensor.u_span = section.Number("u_span", 0.0, true);
  sensor.covariance_bar = section.Number("covariance_bar");
  sensor.dof = section.Number("dof", 0.0);
  sensor.u_reading_bar = section.Number("u_reading_bar", 0.0, true);
  sensor.u_reference_share = section.Number("u_reference_percent", 0.0, true) / 100.0;
  sensor.lowest_bar = section.Number("lowest_bar");
  sensor.highest_bar = section.Number("highest_bar", sensor.lowest_bar);
  file.date = section.Day("date");
  file.expires = section.Day("expires");
  // Rounding in the file may take the correlation a last digit beyond one.
  if (!(std::abs(sensor.covariance_bar) <= 1.000001 * sensor.u_zero_bar * sensor.u_span))
    throw calib::InputError(section.Place("covariance_bar") + ": more than u_zero_bar times u_span");
  return file;
}

std::string PressureFileText(const PressureFile& file, const std::string& remark) {
  const calib::PressureSensor& sensor = file.sensor;
  return fmt::format("# {}\n# reading = zero_bar + span * true\n[pressure]\n", remark) +
         TextLine("kind", file.absolute ? "absolute" : "gauge") + NumberLine("zero_bar", sensor.zero_bar) +
         NumberLine("u_zero_bar", sensor.u_zero_bar) + NumberLine("span", sensor.span) +
         NumberLine("u_span", sensor.u_span) + NumberLine("covariance_bar", sensor.covariance_bar) +
         NumberLine("dof", sensor.dof) + NumberLine("u_reading_bar", sensor.u_reading_bar) +
         NumberLine("u_reference_percent", 100.0 * sensor.u_reference_share) +
         NumberLine("lowest_bar", sensor.lowest_bar) + NumberLine("highest_bar", sensor.highest_bar) +
         DayLines(file.date, file.expires);
}

}  // namespace conebook::src
