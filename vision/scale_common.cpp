#include "vision/scale_common.h"

#include <algorithm>
#include <cmath>

#include <fmt/format.h>

namespace conebook::vision {
namespace {

constexpr double kUsualFocalPart = 1.4;   // of the picture's longer side, as elsewhere in this program
constexpr double kUsualFocalShare = 0.3;  // how far that may be off

}  // namespace

WorkingCamera CameraToWorkWith(cv::Size picture, const ScaleCamera& camera) {
  WorkingCamera work;
  if (camera.lens) {
    work.lens = *camera.lens;
    work.calibrated = work.focal_known = true;
    return work;
  }
  work.lens.width_px = picture.width;
  work.lens.height_px = picture.height;
  work.lens.cx_px = 0.5 * (picture.width - 1);
  work.lens.cy_px = 0.5 * (picture.height - 1);
  work.lens.fx_px = work.lens.fy_px = kUsualFocalPart * std::max(picture.width, picture.height);
  work.u_focal_part = kUsualFocalShare;
  work.focal_words = "focal length not stated";
  if (camera.focal_px) {
    work.lens.fx_px = work.lens.fy_px = camera.focal_px->value;
    work.u_focal_part = camera.focal_px->u / camera.focal_px->value;
    work.focal_words = camera.focal_px->u_assumed
                           ? fmt::format("focal length (assumed {:.2g} %)", 100.0 * work.u_focal_part)
                           : std::string("focal length");
    work.focal_known = true;
  }
  return work;
}

double AtTheExit(double px_per_mm, double depth_mm, double share_length, double u_offset_mm,
                 const ScaleOptions& options, std::vector<calib::Contribution>& budget) {
  const double depth_exit = depth_mm + options.offset_mm;
  const double at_exit = px_per_mm * depth_mm / depth_exit;
  const double u_length = options.u_length_part.value_or(share_length);
  budget.push_back({options.u_length_part ? std::string("length")
                                          : fmt::format("length (assumed {:.2g} %)", 100.0 * u_length),
                    u_length * at_exit, calib::Shared::kRig});
  const double u_offset = options.u_offset_mm.value_or(u_offset_mm);
  budget.push_back({options.u_offset_mm
                        ? std::string("offset from the nozzle's axis")
                        : fmt::format("offset from the nozzle's axis (assumed {:.2g} mm)", u_offset),
                    u_offset / depth_exit * at_exit, calib::Shared::kRig});
  return at_exit;
}

}  // namespace conebook::vision
