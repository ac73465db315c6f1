// `conebook calibrate`: the camera's lens, the scale at the exit, things to print and film, and check cones.
// Each returns the exit status of the contract and throws calib::InputError (2).
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "src/commands/calibrate_stand_command.h"

namespace CLI {
class App;
}

namespace conebook::src {

struct CalibrateLensOptions {
  std::vector<std::string> files;
  int columns = 9, rows = 6;
  double square_mm = 25.0;
  std::string out;
  std::optional<std::string> json;
  bool quiet = false;
};
int CalibrateLensCommand(const CalibrateLensOptions& options);

struct CalibrateTargetOptions {
  std::string out;
  std::string paper = "a4";  // or "letter"
  int columns = 9, rows = 6;
  double square_mm = 10.0;
  std::vector<std::string> elements;  // cards instead of the calibration sheet
  std::optional<std::string> read;    // a picture or clip of cards: nothing is drawn
  std::optional<std::string> json;
  bool quiet = false;
};
int CalibrateTargetCommand(const CalibrateTargetOptions& options);

struct CalibrateScaleOptions {
  std::string image;
  std::optional<std::vector<double>> from, to, at;  // x, y in px
  std::optional<double> length_mm, body_mm;
  std::optional<int> columns, rows;
  std::optional<double> square_mm;
  std::optional<std::string> lens;
  std::optional<double> focal_px, distance_mm, u_distance_mm;
  std::optional<double> u_percent, u_offset_mm, u_align_deg;
  double offset_mm = 0.0, axis_deg = 0.0, u_point_px = 0.5;
  std::string out;
  std::optional<std::string> json;
  bool quiet = false;
};
int CalibrateScaleCommand(const CalibrateScaleOptions& options);

struct CalibrateConeOptions {
  std::optional<std::string> clip, rig;
  std::optional<double> half_angle_deg, u_half_angle_deg;
  std::string shape = "cone";              // or "triangle"
  double axis_deg = 0.0;                   // without a rig
  std::optional<std::vector<double>> tip;  // x, y in px
  std::optional<std::string> date, report, json;
  std::string out;  // file of checks: added to
  bool quiet = false;
};
int CalibrateConeCommand(const CalibrateConeOptions& options);

struct CalibrateOptions {
  CalibrateLensOptions lens;
  CalibrateTargetOptions target;
  CalibrateScaleOptions scale;
  CalibrateConeOptions cone;
  CalibrateStandOptions stand;
};

// Adds `calibrate` with its own commands.
void AddCalibrate(CLI::App& app, CalibrateOptions& options);

// Nothing where none of its commands was asked for.
std::optional<int> RunCalibrate(const CLI::App& app, CalibrateOptions& options, bool quiet);

}  // namespace conebook::src
