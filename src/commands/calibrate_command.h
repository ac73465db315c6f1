// `conebook calibrate`: the camera's lens, the scale at the exit, things to print and film, and check cones.
// Each returns the exit status of the contract and throws calib::InputError (2).
#pragma once

#include <optional>
#include <string>
#include <vector>

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

struct CalibrateOptions {
  CalibrateLensOptions lens;
  CalibrateTargetOptions target;
};

// Adds `calibrate` with its own commands.
void AddCalibrate(CLI::App& app, CalibrateOptions& options);

// Nothing where none of its commands was asked for.
std::optional<int> RunCalibrate(const CLI::App& app, CalibrateOptions& options, bool quiet);

}  // namespace conebook::src
