// The line between pressure tap and element, from a log with the element removed: the whole pressure drop is
// then the line's, and k of calib/line_loss.h follows with everything that the points share (sensor, meter,
// height of the tap, ambient, density) in its budget.
#pragma once

#include <string>
#include <vector>

#include <calib/line_loss.h>
#include <calib/quantity.h>

#include "src/rig.h"

namespace conebook::src {

struct LineLossPoint {
  double flow_l_s = 0.0, loss_bar = 0.0;
  double fitted_bar = 0.0;
};

struct LineLossReading {
  calib::Quantity k_per_m4;
  calib::LineFitResult fit;
  std::string meter, sensor;  // see line_loss_file.h
  double k_share_by_meter = 0.0, k_share_by_sensor = 0.0;
  std::vector<LineLossPoint> points;
  std::vector<std::string> warnings;
};

// Throws calib::InputError: log or rig that cannot be used, fewer than two steady stretches with flow, no
// loss.
LineLossReading ReadLineLoss(const Rig& rig, const std::string& log_path);

}  // namespace conebook::src
