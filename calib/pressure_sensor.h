// A pressure sensor against a reference: reading = zero + span * true, straight line with errors in both
// variables (curve_fit.h), and back: true = (reading - zero) / span. Pressures in bar, all of one kind (above
// ambient, or absolute).
// In u of a corrected reading: zero and span with their correlation, how far single readings lie from the
// line beyond what their own u explains (bend, hysteresis, repeatability), and the reference, as a share. Not
// in u: scatter of the log that is corrected, drift since the calibration, and temperature.
#pragma once

#include <limits>
#include <optional>
#include <vector>

namespace conebook::calib {

// In the order in which they were taken: rising and falling tell hysteresis.
struct SensorReading {
  double true_bar = 0.0, read_bar = 0.0;
  double u_true_bar = 0.0, u_read_bar = 0.0;  // of this reading alone; all zero: from the scatter
};

struct PressureSensor {
  double zero_bar = 0.0, u_zero_bar = 0.0;
  double span = 1.0, u_span = 0.0;
  double covariance_bar = 0.0;  // of zero and span
  double dof = std::numeric_limits<double>::infinity();
  double u_reading_bar = 0.0;                  // of one reading beyond its own u, about the line
  double u_reference_share = 0.0;              // shared by all readings
  double lowest_bar = 0.0, highest_bar = 0.0;  // readings that were calibrated
};

struct PressureSensorFit {
  PressureSensor sensor;
  std::vector<double> residual_bar;      // of each reading
  double linearity_bar = 0.0;            // the largest departure from the line
  std::optional<double> hysteresis_bar;  // falling less rising where it is largest; nothing: one way only
};

// Nothing with fewer than three readings, or all at one pressure.
std::optional<PressureSensorFit> FitPressureSensor(const std::vector<SensorReading>& readings,
                                                   double u_reference_share);

struct CorrectedPressure {
  double bar = 0.0, u_bar = 0.0;
  double dof = std::numeric_limits<double>::infinity();
  bool in_range = true;  // else: line continued, with 0.5 % of what lies beyond added
};
CorrectedPressure Corrected(const PressureSensor& sensor, double read_bar);

}  // namespace conebook::calib
