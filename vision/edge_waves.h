// Waves on the sheet as its two edges show them over time. What vision/edge_wave_reader.h reads.
#pragma once

#include <optional>
#include <string>

#include <opencv2/core.hpp>

#include <calib/quantity.h>

namespace conebook::vision {

struct EdgeWaves {
  calib::Quantity wavelength_mm;             // along the spray's axis
  std::optional<calib::Quantity> speed_m_s;  // along the axis, downstream
  std::string no_speed;                      // why there is none
  // Waves that came one length further between two frames look the same: this much faster or slower. True
  // where the picture alone does not tell them apart.
  double alias_step_m_s = 0.0;
  bool ambiguous = false;
  double from_mm = 0.0, to_mm = 0.0;  // rows looked at, below the exit
  double rms_mm = 0.0;                // of the edge about its mean place, at the lower end of the rows
  double interval_s = 0.0;
  // 8-bit grey, time to the right, distance downwards; above the left edge, below the right one, a dark line
  // between. Light: farther out than usual in this row.
  cv::Mat picture;
  double picture_s = 0.0;  // from left to right
};

}  // namespace conebook::vision
