// Runs of a flow meter into a weighed bucket, from a CSV file: mass_kg (scale full less empty), time_s, and
// one of pulses (counted), pulse_hz, flow_lpm, flow_kg_s (mean over the run); temperature_c, u_mass_kg and
// u_time_s may be there, other columns are named and left aside. Masses are corrected for buoyancy
// (calib/weighing.h).
#pragma once

#include <optional>
#include <string>
#include <vector>

#include <calib/meter_curve.h>

#include "src/rig.h"

namespace conebook::src {

struct BucketOptions {
  StandSetup liquid;             // liquid, density and temperature are read
  double u_mass_kg = 0.001;      // of a run: what the scale shows to
  double u_time_s = 0.2;         // of a run: start and stop by hand
  double u_scale_share = 0.005;  // of all runs: the scale itself; a kitchen scale
};

struct BucketTest {
  calib::MeterKind kind = calib::MeterKind::kPulses;
  std::vector<calib::MeterRun> runs;
  std::vector<int> lines;  // of the file
  std::vector<double> mass_kg, time_s;
  double u_common_share = 0.0;  // scale, air, and for volumes the density
  std::vector<std::string> ignored;
};

// Throws calib::InputError naming file and line.
BucketTest ReadBucketTest(const std::string& path, const BucketOptions& options);

}  // namespace conebook::src
