#include "src/commands/calibrate_stand_command.h"

#include <CLI/CLI.hpp>

#include "src/commands/calibrate_words.h"
#include "src/commands/output.h"

namespace conebook::src {
namespace {

void AddOutputs(CLI::App* command, const char* file, std::string& out, std::optional<std::string>& date,
                std::optional<std::string>& expires, std::optional<std::string>& json) {
  command->add_option("--date", date, "Day of the calibration; left out: today")->type_name("2031-05-04");
  command->add_option("--expires", expires, "Last day on which it counts; tests after it are flagged")
      ->type_name("2032-05-04");
  command->add_option("--out", out, "File to write")->type_name(file);
  AddJson(command, json);
}

constexpr const char* kMeterHelp =
    R"(BUCKET: a CSV file, one row a run into a weighed bucket:
  mass_kg     what the scale shows, full less empty
  time_s      how long the run took
  pulses      counted over the run; or pulse_hz, flow_lpm, flow_kg_s, as the meter shows them, mean over the run
  temperature_c, u_mass_kg, u_time_s   if known
Five rates over the range that is used, three runs at each, a minute or longer; swing the hose into the bucket with the
flow already steady. Masses are corrected for the buoyancy of air (water: 0.105 %).

The rig file refers to the result, instead of k_factor_per_l: [meter] calibration = "meter.toml"
K is then that of each reading's own rate. Readings outside the calibrated rates are flagged.

Examples:
  conebook calibrate meter bucket.csv --out meter.toml
  conebook calibrate meter bucket.csv --u-scale-percent 0.05 --u-time-s 0.1 --expires 2032-05-04 --out meter.toml
  conebook calibrate meter bucket.csv --curve curve --json)";

void AddMeter(CLI::App& calibrate, CalibrateMeterOptions& options) {
  CLI::App* meter =
      AddCommand(calibrate, "meter", "K of a flow meter over its rate, by bucket and stopwatch", kMeterHelp);
  meter->add_option("BUCKET", options.bucket, "CSV of the runs")->required()->type_name("");
  meter->add_option("--liquid", options.liquid, "water (default), ethanol, isopropanol, kerosene")
      ->type_name("NAME");
  meter
      ->add_option("--temperature-c", options.temperature_c,
                   "Of the liquid; left out: the column, else 20, u 5")
      ->type_name("C");
  meter->add_option("--density-kg-m3", options.density_kg_m3, "Of the liquid, instead of its name")
      ->check(CLI::PositiveNumber)
      ->type_name("KG_M3");
  meter->add_option("--u-mass-kg", options.u_mass_kg, "u of each run's mass; left out: 0.001")
      ->type_name("KG");
  meter->add_option("--u-time-s", options.u_time_s, "u of each run's time; left out: 0.2, by hand")
      ->type_name("S");
  meter
      ->add_option("--u-scale-percent", options.u_scale_percent,
                   "u of the scale, shared by all runs; left out: 0.5")
      ->type_name("PERCENT");
  meter
      ->add_option("--curve", options.curve,
                   "How K goes with the rate: constant, line or curve; left out: line from three rates on")
      ->check(CLI::IsMember({"constant", "line", "curve"}));
  AddOutputs(meter, "METER.toml", options.out, options.date, options.expires, options.json);
}

constexpr const char* kPressureHelp =
    R"(READINGS: a CSV file, one row a pressure, in the order in which they were taken: true_bar (the reference: a test
gauge, a dead-weight tester, a column of water), read_bar (the sensor, as logged); u_true_bar and u_read_bar, of the
single reading, if known. Rising from zero to full scale, then falling, tells hysteresis.

The rig file refers to the result: [pressure] calibration = "pressure.toml"
Readings are then put right for zero and span. Those outside the calibrated pressures are flagged.

Examples:
  conebook calibrate pressure readings.csv --out pressure.toml
  conebook calibrate pressure readings.csv --u-reference-percent 0.05 --expires 2032-05-04 --out pressure.toml
  conebook calibrate pressure readings.csv --kind absolute --json)";

void AddPressure(CLI::App& calibrate, CalibratePressureOptions& options) {
  CLI::App* pressure =
      AddCommand(calibrate, "pressure", "Zero, span and hysteresis of a pressure sensor", kPressureHelp);
  pressure->add_option("READINGS", options.readings, "CSV of the readings")->required()->type_name("");
  pressure->add_option("--kind", options.kind, "gauge (default) or absolute: what the reference shows")
      ->check(CLI::IsMember({"gauge", "absolute"}));
  pressure
      ->add_option("--u-reference-percent", options.u_reference_percent,
                   "u of the reference, of reading; left out: 0.1")
      ->type_name("PERCENT");
  AddOutputs(pressure, "PRESSURE.toml", options.out, options.date, options.expires, options.json);
}

constexpr const char* kLineHelp =
    R"(LOG: a stand log of a run with the element removed and everything else in place, at three steady flows or more
around those that the element passes. What the tap then shows is lost on the way: loss = k * density * flow^2.
The square-root law cannot see such a loss, as it obeys the same law: 5 % of the drop reads as a Cd 2.5 % low.

An open line passes far more than an element: throttle before the tap, keep to the stand's rated pressure and flow,
and lead the jet away. The meter must take that flow.

The rig file refers to the result: [stand] pressure_tap = "tank" (or "line"), line_loss = "line.toml"

Examples:
  conebook calibrate line blank.csv --rig rig.toml --out line.toml
  conebook calibrate line blank.csv --rig rig.toml --json)";

void AddLine(CLI::App& calibrate, CalibrateLineOptions& options) {
  CLI::App* line = AddCommand(calibrate, "line", "Pressure lost between tap and element", kLineHelp);
  line->add_option("LOG", options.log, "Log with the element removed")->required()->type_name("");
  line->add_option("--rig", options.rig, "Rig file: columns, sensors, liquid, height of the tap")
      ->type_name("RIG.toml");
  AddOutputs(line, "LINE.toml", options.out, options.date, options.expires, options.json);
}

}  // namespace

void AddCalibrateStand(CLI::App& calibrate, CalibrateStandOptions& options) {
  AddMeter(calibrate, options.meter);
  AddPressure(calibrate, options.pressure);
  AddLine(calibrate, options.line);
}

std::optional<int> RunCalibrateStand(const CLI::App& calibrate, CalibrateStandOptions& options, bool quiet) {
  const auto asked = [&](const char* name) { return calibrate.get_subcommand(name)->parsed(); };
  options.meter.quiet = options.pressure.quiet = options.line.quiet = quiet;
  if (asked("meter")) return CalibrateMeterCommand(options.meter);
  if (asked("pressure")) return CalibratePressureCommand(options.pressure);
  if (asked("line")) return CalibrateLineCommand(options.line);
  return std::nullopt;
}

}  // namespace conebook::src
