#include <cmath>

#include <fmt/core.h>
#include <nlohmann/json.hpp>

#include <calib/error.h>

#include "src/commands/calibrate_stand_command.h"
#include "src/commands/output.h"
#include "src/csv_table.h"
#include "src/iso_date.h"
#include "src/output_file.h"
#include "src/pressure_file.h"
#include "src/quantity_json.h"
#include "src/report/digits.h"
#include "src/text_table.h"

namespace conebook::src {
namespace {

using Json = nlohmann::ordered_json;
using calib::InputError;
using calib::PressureSensorFit;
using calib::SensorReading;

constexpr double kReferencePercent = 0.1;  // a test gauge of a calibration laboratory

std::vector<SensorReading> ReadReadings(const std::string& path) {
  const CsvTable table = ReadCsv(path, {});
  const auto needed = [&](const char* name, const char* meaning) {
    if (const auto column = table.Column(name)) return *column;
    throw InputError(
        fmt::format("{}, line {}: column {} ({}) is missing", path, table.header_line, name, meaning));
  };
  const std::size_t true_column = needed("true_bar", "what the reference shows"),
                    read_column = needed("read_bar", "what the sensor shows");
  const auto u_true = table.Column("u_true_bar"), u_read = table.Column("u_read_bar");
  if (u_true && !u_read)
    throw InputError(fmt::format("{}, line {}: u_true_bar is given without u_read_bar; the fit weighs both",
                                 path, table.header_line));
  std::vector<SensorReading> readings;
  for (std::size_t row = 0; row < table.rows.size(); ++row) {
    SensorReading one;
    one.true_bar = NumberAt(table, row, true_column);
    one.read_bar = NumberAt(table, row, read_column);
    if (u_true) one.u_true_bar = NumberAt(table, row, *u_true);
    if (u_read) one.u_read_bar = NumberAt(table, row, *u_read);
    if ((u_read && !(one.u_read_bar > 0.0)) || !(one.u_true_bar >= 0.0))
      throw InputError(fmt::format("{}, line {}: u_read_bar must be above 0 and u_true_bar not negative",
                                   path, table.line[row]));
    readings.push_back(one);
  }
  return readings;
}

std::string PressureJson(const PressureFile& file, const std::vector<SensorReading>& readings,
                         const PressureSensorFit& fit, const std::vector<std::string>& warnings) {
  const calib::PressureSensor& sensor = file.sensor;
  Json json{{"schema", "conebook.pressure/1"}, {"kind", file.absolute ? "absolute" : "gauge"}};
  json["zero_bar"] = Json::parse(QuantityJson({sensor.zero_bar, sensor.u_zero_bar, sensor.dof, {}}));
  json["span"] = Json::parse(QuantityJson({sensor.span, sensor.u_span, sensor.dof, {}}));
  json["covariance_bar"] = sensor.covariance_bar;
  json["linearity_bar"] = fit.linearity_bar;
  json["hysteresis_bar"] = fit.hysteresis_bar ? Json(*fit.hysteresis_bar) : Json(nullptr);
  json["u_reading_bar"] = sensor.u_reading_bar;
  json["u_reference_percent"] = 100.0 * sensor.u_reference_share;
  json["lowest_bar"] = sensor.lowest_bar;
  json["highest_bar"] = sensor.highest_bar;
  json["date"] = file.date;
  json["expires"] = file.expires.empty() ? Json(nullptr) : Json(file.expires);
  json["readings"] = Json::array();
  for (std::size_t i = 0; i < readings.size(); ++i)
    json["readings"].push_back({{"true_bar", readings[i].true_bar},
                                {"read_bar", readings[i].read_bar},
                                {"off_bar", fit.residual_bar[i]}});
  json["warnings"] = warnings;
  return json.dump(2, ' ', false, Json::error_handler_t::replace) + "\n";
}

void PrintPressure(const PressureFile& file, const std::vector<SensorReading>& readings,
                   const PressureSensorFit& fit) {
  const calib::PressureSensor& sensor = file.sensor;
  std::vector<std::vector<std::string>> rows{{"true bar", "read bar", "off the line, bar"}};
  for (std::size_t i = 0; i < readings.size(); ++i)
    rows.push_back({fmt::format("{:.4g}", readings[i].true_bar), fmt::format("{:.5g}", readings[i].read_bar),
                    fmt::format("{:+.4f}", fit.residual_bar[i])});
  fmt::print("{}zero        {} bar\nspan        {}\nlinearity   {:.4f} bar\nhysteresis  {}\n",
             TextTable(rows), ValueWithU({sensor.zero_bar, sensor.u_zero_bar, {}, {}}),
             ValueWithU({sensor.span, sensor.u_span, {}, {}}), fit.linearity_bar,
             fit.hysteresis_bar ? fmt::format("{:+.4f} bar, falling less rising", *fit.hysteresis_bar)
                                : std::string("not known"));
  for (const double read_bar :
       {sensor.lowest_bar, 0.5 * (sensor.lowest_bar + sensor.highest_bar), sensor.highest_bar}) {
    const calib::CorrectedPressure at = Corrected(sensor, read_bar);
    fmt::print("reading {:.4g} bar: {} bar\n", read_bar, ValueWithU({at.bar, at.u_bar, {}, {}}));
  }
}

}  // namespace

int CalibratePressureCommand(const CalibratePressureOptions& options) {
  if (options.out.empty() && !options.json)
    throw InputError("--out PRESSURE.toml is missing: the sensor file that the rig will refer to");
  if (options.u_reference_percent && !(*options.u_reference_percent >= 0.0))
    throw InputError("--u-reference-percent: a standard uncertainty is not negative");
  if (!options.out.empty()) CheckCanWrite(options.out);
  CheckOutput(options.json);
  PressureFile file;
  file.absolute = options.kind == "absolute";
  file.date = StatedDay(options.date, "--date").value_or(Today());
  file.expires = StatedDay(options.expires, "--expires").value_or("");
  const std::vector<SensorReading> readings = ReadReadings(options.readings);
  const auto fit =
      FitPressureSensor(readings, options.u_reference_percent.value_or(kReferencePercent) / 100.0);
  if (!fit)
    throw InputError(
        fmt::format("{}: {} readings give no rising line; three or more at two or more pressures are "
                    "needed, better five up and five down",
                    options.readings, readings.size()));
  file.sensor = fit->sensor;
  std::vector<std::string> warnings;
  if (!fit->hysteresis_bar)
    warnings.emplace_back(
        "pressures were taken one way only, so hysteresis is not known; take them rising, then falling");
  if (!options.u_reference_percent)
    warnings.push_back(
        fmt::format("u of the reference was assumed, {:g} %; state --u-reference-percent, from its "
                    "certificate",
                    kReferencePercent));
  if (!options.out.empty())
    WriteWhole(options.out,
               PressureFileText(file, fmt::format("By conebook calibrate pressure, from {} readings against "
                                                  "a reference.",
                                                  readings.size())));
  if (options.json) WriteOutput(*options.json, PressureJson(file, readings, *fit, warnings));
  if (!options.quiet && options.json != "-") PrintPressure(file, readings, *fit);
  if (!options.quiet) {
    for (const std::string& warning : warnings) fmt::print(stderr, "warning: {}\n", warning);
  }
  FlushOutput();
  return 0;
}

}  // namespace conebook::src
