// One run: rig, clip and log (or readings by hand) joined into pressure points with their quantities.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include <calib/quantity.h>
#include <calib/weighing.h>
#include <vision/spray_measurement.h>

#include "src/pressure_points.h"
#include "src/rig.h"
#include "src/run.h"

namespace conebook::src {

// A pressure point read by hand, or a bucket and a stopwatch.
struct HandReading {
  std::optional<vision::TimeSpan> video;  // nothing: the whole steady spray
  double pressure_bar = 0.0;
  std::optional<double> u_pressure_bar;
  std::optional<double> flow_kg_s;
  std::optional<calib::Weighing> bucket;         // instead: as the scale and the stopwatch show it
  std::vector<calib::Contribution> flow_shares;  // of the flow, by source; none: the meter's
};

struct MeasureInput {
  Rig rig;
  std::optional<std::string> clip_path;  // nothing: flow only
  std::optional<std::string> log_path;
  std::vector<HandReading> readings;  // instead of a log
  SteadyOptions steady;
  bool sweep = false;  // a pressure that falls slowly, in bins, instead of steady stretches: see sweep.h
  vision::ReadOptions reading;
  std::optional<std::string> date;  // of the test, ISO 8601; nothing: as log or footage say
  // As the user wrote them; go into the result.
  std::string clip_name, log_name, rig_name;
};

// What a run says of its inputs before anything is measured: element, settings, hashes. Throws
// calib::InputError for files that cannot be read.
Run RunOfInputs(const MeasureInput& input);

// Throws calib::InputError for input that cannot be used, vision::Interrupted when stopped. A clip that
// cannot be measured is a run with the verdict "rejected".
Run Measure(const MeasureInput& input);

}  // namespace conebook::src
