// Pressure points: the stretches of a log in which the pressure is steady and liquid flows.
// How: the log is cut into straight pieces (optimal partition, least squares, noise estimated from the log
// itself); flat pieces of one level are joined; what is left of a transient is trimmed off both ends. A
// stretch is steady when it lasts long enough, drifts and scatters little, and lies clear of zero pressure
// and zero flow: see the options.
#pragma once

#include <string>
#include <vector>

namespace conebook::src {

struct SteadyOptions {
  double min_duration_s = 0.35;
  int min_rows = 4;
  double zero_bar = 0.1;           // pressure below the greater of these two is off: no point
  double zero_share = 0.03;        // of the log's highest pressure
  double zero_flow_share = 0.03;   // of the log's highest flow: below, the valve is shut
  double max_rate_per_s = 0.02;    // a piece is flat when it changes by less than this share a second ...
  double max_piece_change = 0.03;  // ... or by less than this share over its whole length
  double max_drift = 0.10;         // share of the mean by which a stretch may drift from end to end
  double max_scatter = 0.10;       // share: standard deviation of the rows about the straight line
  double same_level = 0.02;        // neighbouring flat pieces closer than this share are one point
  double bridge_s = 0.15;          // a disturbance shorter than this does not end a point

  std::string InWords() const;
};

struct SteadyStretch {
  std::size_t first = 0, last = 0;  // rows, both inside
  double t0_s = 0.0, t1_s = 0.0;    // log time
  double mean_bar = 0.0;
  double drift_share = 0.0;    // change of the fitted line from end to end over the mean, signed
  double scatter_share = 0.0;  // standard deviation of the rows about the line over the mean
};

// In order of time. `pressure_bar` is above ambient; `flow` in any unit, or empty when there is none. Rows
// must be as many in each and rising in time: std::logic_error otherwise.
std::vector<SteadyStretch> FindSteadyStretches(const std::vector<double>& time_s,
                                               const std::vector<double>& pressure_bar,
                                               const std::vector<double>& flow,
                                               const SteadyOptions& options = {});

}  // namespace conebook::src
