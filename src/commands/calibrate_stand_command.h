// `conebook calibrate meter`, `calibrate pressure` and `calibrate line`: the stand's sensors and its line.
// The commands throw calib::InputError and give the exit status.
#pragma once

#include <optional>
#include <string>

namespace CLI {
class App;
}

namespace conebook::src {

struct CalibrateMeterOptions {
  std::string bucket;  // CSV
  std::string liquid = "water";
  std::optional<double> temperature_c, density_kg_m3;
  std::optional<double> u_mass_kg, u_time_s, u_scale_percent;
  std::optional<std::string> curve;  // "constant", "line" or "curve"
  std::optional<std::string> date, expires, json;
  std::string out;
  bool quiet = false;
};
int CalibrateMeterCommand(const CalibrateMeterOptions& options);

struct CalibratePressureOptions {
  std::string readings;  // CSV
  std::string kind = "gauge";
  std::optional<double> u_reference_percent;
  std::optional<std::string> date, expires, json;
  std::string out;
  bool quiet = false;
};
int CalibratePressureCommand(const CalibratePressureOptions& options);

struct CalibrateLineOptions {
  std::string log;
  std::optional<std::string> rig;
  std::optional<std::string> date, expires, json;
  std::string out;
  bool quiet = false;
};
int CalibrateLineCommand(const CalibrateLineOptions& options);

struct CalibrateStandOptions {
  CalibrateMeterOptions meter;
  CalibratePressureOptions pressure;
  CalibrateLineOptions line;
};

// Adds the three to `calibrate`.
void AddCalibrateStand(CLI::App& calibrate, CalibrateStandOptions& options);

// Nothing where none of the three was asked for.
std::optional<int> RunCalibrateStand(const CLI::App& calibrate, CalibrateStandOptions& options, bool quiet);

}  // namespace conebook::src
