// The lens file: `[lens] width_px height_px fx_px fy_px cx_px cy_px k1 k2 p1 p2 k3 rms_px`, OpenCV's model;
// `u_` of each parameter, and `correlation`, nine rows of nine in the order fx fy cx cy k1 k2 p1 p2 k3.
#pragma once

#include <string>

#include <calib/lens.h>

namespace conebook::src {

// Throws calib::InputError; width, height, focal lengths and centre are required, the distortion defaults to
// none.
calib::Lens ReadLensFile(const std::string& path);

// With covariance. `remark`: lines for people, without "#".
std::string LensFileText(const calib::Lens& lens, const std::string& remark);

}  // namespace conebook::src
