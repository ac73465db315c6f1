// The rig file: stand and camera set-up of a clip. Keys, defaults and assumed uncertainties are the contract
// in the design; everything about the camera goes to vision as a vision::View.
#pragma once

#include <array>
#include <optional>
#include <string>
#include <vector>

#include <calib/flag.h>
#include <calib/patternation.h>
#include <calib/stated.h>
#include <vision/view.h>

#include "src/line_loss_file.h"
#include "src/meter_file.h"
#include "src/pressure_file.h"
#include "src/toml_document.h"

namespace conebook::src {

struct ElementGeometry {
  std::optional<int> inlet_count;
  std::optional<calib::Stated> inlet_diameter_mm, inlet_edge_radius_mm, chamber_diameter_mm,
      chamber_length_mm, exit_length_mm;
  std::string measured_by;  // "pin_gauge", "microscope", "drawing" or empty
};

enum class PressureTap { kElement, kLine, kTank };

struct StandSetup {
  std::optional<std::string> liquid;  // a name; nothing: water, or the user's density
  std::optional<calib::Stated> density_kg_m3, viscosity_pa_s, surface_tension_n_m, vapour_pressure_pa;
  std::optional<calib::Stated> temperature_c;
  std::optional<calib::Stated> reference_area_mm2;
  std::optional<std::string> area_kind;  // "exit", "inlets", "user"
  std::optional<double> rated_bar;
  PressureTap tap = PressureTap::kElement;
  std::optional<calib::Stated> tap_above_exit_mm;
  std::optional<calib::Stated> ambient_bar;
};

// Pressure drops that the test was to hold.
struct NominalPoints {
  std::vector<double> bar;
  std::optional<double> tolerance_bar;  // nothing: the larger of 0.1 bar and 5 %
};

struct LogKeys {
  std::optional<std::string> time, time_unit, pressure, pressure_unit, pressure_kind, flow, flow_unit,
      temperature, delimiter, decimal;
};

// Files that the rig file may name and that a number then rests on.
struct CalibrationKey {
  const char* section;
  const char* key;
  const char* kept_as;  // name in the archive
};
inline constexpr CalibrationKey kLensKey{"camera", "lens", "lens_file.toml"};
inline constexpr CalibrationKey kScaleKey{"scale", "calibration", "scale_file.toml"};
inline constexpr CalibrationKey kConeChecksKey{"camera", "cone_checks", "cone_checks.toml"};
inline constexpr CalibrationKey kMeterKey{"meter", "calibration", "meter_file.toml"};
inline constexpr CalibrationKey kPressureKey{"pressure", "calibration", "pressure_file.toml"};
inline constexpr CalibrationKey kLineLossKey{"stand", "line_loss", "line_loss.toml"};
inline constexpr CalibrationKey kCollectorKey{"collector", "table", "collector.csv"};
inline constexpr std::array<CalibrationKey, 7> kCalibrationKeys{
    kLensKey, kScaleKey, kConeChecksKey, kMeterKey, kPressureKey, kLineLossKey, kCollectorKey};

struct CalibrationFile {
  CalibrationKey key;
  std::string path, sha256;
  std::optional<std::size_t> circuit = std::nullopt;  // that names it; nothing: the rig does, for all
  std::string KeptAs() const;                         // name in the archive: "circuit_2_meter_file.toml"
};
// As a circuit's, from 0.
std::string KeptAsOfCircuit(const CalibrationKey& key, std::size_t circuit);

struct Circuit;

struct Rig {
  std::string path, sha256;  // of the file itself, without a sheet's overrides
  std::string element, batch, kind = "swirl";
  std::string role;  // "check": flowed first and last of a day, to see whether the stand still reads the same
  ElementGeometry geometry;
  vision::View view;
  std::vector<CalibrationFile> calibrations;
  StandSetup stand;
  LogKeys log;
  std::optional<NominalPoints> nominal;
  std::vector<std::string> plate_elements;  // ids, of a plate
  std::vector<Circuit> circuits;            // two or more, or none: the stand is the one circuit
  std::optional<calib::Stated> k_factor_per_l;
  std::optional<double> meter_u_percent, pressure_u_percent;  // beside a calibration: added to its u
  std::optional<calib::Stated> pressure_zero_bar;  // what the sensor reads where there is no pressure
  bool zero_from_rest = false;                     // it is from the log before the valve was opened
  std::optional<MeterFile> meter;
  std::optional<PressureFile> pressure_calibration;
  std::optional<LineLossFile> line_loss;
  std::optional<calib::Patternation> collected;  // of the collector table that it names
  std::optional<calib::Stated> log_minus_video_s;
  std::optional<calib::Stated> view_rotation_deg;
  TomlNode document;  // as read, overrides merged in: goes into the result's settings
};

// A set of passages with its own flow: an annulus about a core, for instance. Its rig is the whole rig with
// what [[circuit]] says in place of [log], [stand], [meter], [pressure] and the exit.
struct Circuit {
  std::string name;
  Rig rig;
};

// Reads and checks a rig file; `overrides` (tables like the rig's own) are merged in before the check, which
// is when required keys may come from them. Throws calib::InputError.
Rig ReadRig(const std::string& path, const TomlNode* overrides = nullptr);

}  // namespace conebook::src
