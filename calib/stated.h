// A value that the rig file states, or that was assumed in its place, with its standard uncertainty.
#pragma once

namespace conebook::calib {

struct Stated {
  double value = 0.0;
  double u = 0.0;
  bool value_assumed = false;  // not in the rig file
  bool u_assumed = true;       // u not in the rig file; the budget then says "assumed"
  bool calibrated = false;     // from a calibration file that the rig file names
};

}  // namespace conebook::calib
