#include "vision/stations.h"

#include <algorithm>
#include <array>
#include <cmath>

#include <fmt/format.h>

namespace conebook::vision {
namespace {

using calib::Severity;

// Axial distance to which a side's guessed boundary stays inside the picture.
double InViewMm(const ClipModel& model, const CameraSetup& setup, int side) {
  const calib::ConeProjection projection(setup.camera);
  double reach = 0.0;
  for (int row = 0; row < model.rows; ++row) {
    const double y = model.Row(row);
    const double x = model.guess[static_cast<std::size_t>(side)].X(y - model.exit_px.y);
    if (x < 2.0 || x > model.reading.width_px - 3.0) break;
    const cv::Point2d px = Apply(model.reading.upright_from_reading, {x, y});
    reach = projection.MmFromPx({px.x, px.y}).z_mm;
  }
  return reach;
}

}  // namespace

StationChoice ChooseStations(const ClipModel& model, const CameraSetup& setup, const StationWish& wish) {
  StationChoice choice;
  const double d = wish.exit_diameter_mm;
  const std::array<double, 2> in_view{InViewMm(model, setup, kLeftSide), InViewMm(model, setup, kRightSide)};
  const double reach = std::min(in_view[0], in_view[1]);
  const char* cut_side = in_view[0] < in_view[1] ? "left" : "right";
  const auto length = [&](double mm) {
    return wish.has_scale ? fmt::format("{:.1f} mm", mm) : fmt::format("{:.1f} exit diameters", mm / d);
  };
  const double least_span = 16.0 * model.row_step / setup.camera.px_per_mm;
  choice.near_mm = wish.near_mm.value_or(std::max(1.0, 2.0 * d));
  const bool far_stated = wish.far_mm.has_value();
  if (far_stated) {
    choice.far_mm = *wish.far_mm;
  } else {
    choice.far_mm = wish.shortest_breakup_mm ? 0.75 * *wish.shortest_breakup_mm : 0.6 * reach;
    if (!wish.near_mm && choice.near_mm > 0.4 * choice.far_mm) {
      // A short sheet: what there is of it counts, down to half an exit diameter.
      choice.near_mm = std::max(0.5 * d, std::min(choice.near_mm, 0.4 * choice.far_mm));
    }
  }
  const double wanted = choice.far_mm - choice.near_mm;
  if (reach < choice.far_mm) {
    const double kept = reach - choice.near_mm;
    if (kept < 0.5 * wanted || kept < least_span) {
      choice.flags.push_back(
          {"cut_off", Severity::kReject, std::nullopt, "half_angle_deg",
           fmt::format("the {} side of the spray leaves the picture {} below the exit; the stations need {}",
                       cut_side, length(reach), length(choice.far_mm)),
           "frame the spray so that both sides stay in the picture down to the far station"});
      return choice;
    }
    choice.flags.push_back(
        {"far_station_moved", far_stated ? Severity::kWarn : Severity::kInfo, std::nullopt, "half_angle_deg",
         fmt::format("the {} side leaves the picture {} below the exit; the far station was "
                     "moved there from {}",
                     cut_side, length(reach), length(choice.far_mm)),
         "frame more of the spray"});
    choice.far_mm = reach;
  }
  if (choice.far_mm - choice.near_mm < least_span) {
    choice.flags.push_back(
        {"stations_too_close", Severity::kWarn, std::nullopt, "half_angle_deg",
         fmt::format("only {} lie between the stations; a line through so few rows means little",
                     length(choice.far_mm - choice.near_mm)),
         "film closer, or state [stations] near_mm and far_mm"});
  }
  return choice;
}

}  // namespace conebook::vision
