// The scale file that `conebook calibrate scale` writes and [scale] calibration names: `[scale] px_per_mm
// u_px_per_mm width_px height_px method`, and where the picture told them `tilt_deg u_tilt_deg axis_deg
// u_axis_deg`, in the rig file's meaning.
#pragma once

#include <optional>
#include <string>

#include <calib/stated.h>
#include <vision/scale_reading.h>

namespace conebook::src {

struct ScaleFile {
  calib::Stated px_per_mm;
  std::optional<calib::Stated> tilt_deg, axis_deg;
  int width_px = 0, height_px = 0;  // of the picture it was read from
  std::string method;               // "points", "board", "body"
};

// Throws calib::InputError.
ScaleFile ReadScaleFile(const std::string& path);

// remark: a line for people.
std::string ScaleFileText(const vision::ScaleReading& reading, int width_px, int height_px,
                          const std::string& method, const std::string& remark);

}  // namespace conebook::src
