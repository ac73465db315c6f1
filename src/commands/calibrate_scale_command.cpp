#include <fmt/core.h>
#include <nlohmann/json.hpp>

#include <calib/error.h>
#include <vision/pictures.h>
#include <vision/scale_reading.h>

#include "src/commands/calibrate_command.h"
#include "src/commands/output.h"
#include "src/lens_file.h"
#include "src/output_file.h"
#include "src/quantity_json.h"
#include "src/report/digits.h"
#include "src/scale_file.h"

namespace conebook::src {
namespace {

using Json = nlohmann::ordered_json;
using calib::InputError;

constexpr double kFocalShare = 0.03, kDistanceShare = 0.03;  // as in the rig file

cv::Point2d ToPoint(const std::vector<double>& xy) {
  return {xy[0], xy[1]};
}

std::string MethodOf(const CalibrateScaleOptions& options) {
  const bool points = options.from || options.to || options.length_mm;
  const bool board = options.columns || options.rows || options.square_mm;
  const bool body = options.body_mm.has_value();
  if (static_cast<int>(points) + static_cast<int>(board) + static_cast<int>(body) != 1)
    throw InputError(
        "one way to the scale is needed, and one only: --from --to --length-mm, or --columns --rows "
        "--square-mm, or "
        "--body-mm --at (see conebook calibrate scale --help)");
  if (points && !(options.from && options.to && options.length_mm))
    throw InputError("two points need all of --from x,y --to x,y --length-mm L");
  if (board && !(options.columns && options.rows && options.square_mm))
    throw InputError("a board needs all of --columns N --rows N --square-mm MM");
  if (body && !options.at) throw InputError("--body-mm needs --at x,y, a point on the nozzle's body");
  for (const auto& length : {options.length_mm, options.body_mm}) {
    if (length && !(*length > 0.0)) throw InputError("a length of 0 mm or less says nothing");
  }
  return points ? "points" : board ? "board" : "body";
}

void CheckUncertainties(const CalibrateScaleOptions& options) {
  for (const auto& [name, u] :
       {std::pair{"--u-percent", options.u_percent}, std::pair{"--u-offset-mm", options.u_offset_mm},
        std::pair{"--u-align-deg", options.u_align_deg}, std::pair{"--u-distance-mm", options.u_distance_mm},
        std::pair{"--u-point-px", std::optional(options.u_point_px)}}) {
    if (u && !(*u >= 0.0)) throw InputError(fmt::format("{}: a standard uncertainty is not negative", name));
  }
}

vision::ScaleCamera CameraOf(const CalibrateScaleOptions& options, const cv::Size& size) {
  vision::ScaleCamera camera;
  if (options.lens) {
    const calib::Lens lens = ReadLensFile(*options.lens);
    camera.lens = calib::LensForImage(lens, size.width, size.height);
    if (!camera.lens) {
      throw InputError(
          fmt::format("{}: the lens file is for {} x {} px, the picture is {} x {} px, of another shape; "
                      "calibrate the lens in the mode of the picture",
                      *options.lens, lens.width_px, lens.height_px, size.width, size.height));
    }
  }
  if (options.focal_px)
    camera.focal_px = calib::Stated{*options.focal_px, kFocalShare * *options.focal_px, false, true};
  if (options.distance_mm)
    camera.distance_mm = calib::Stated{*options.distance_mm,
                                       options.u_distance_mm.value_or(kDistanceShare * *options.distance_mm),
                                       false, !options.u_distance_mm};
  return camera;
}

vision::ScaleReading Read(const CalibrateScaleOptions& options, const std::string& method,
                          const cv::Mat& grey) {
  const vision::ScaleCamera camera = CameraOf(options, grey.size());
  vision::ScaleOptions how;
  if (options.u_percent) how.u_length_part = *options.u_percent / 100.0;
  how.offset_mm = options.offset_mm;
  how.u_offset_mm = options.u_offset_mm;
  how.u_point_px = options.u_point_px;
  how.u_align_deg = options.u_align_deg;
  how.axis_deg = options.axis_deg;
  if (method == "points")
    return vision::ScaleFromPoints(grey.size(), ToPoint(*options.from), ToPoint(*options.to),
                                   *options.length_mm, camera, how);
  if (method == "body")
    return vision::ScaleFromBody(grey, ToPoint(*options.at), *options.body_mm, camera, how);
  const std::optional<cv::Point2d> at = options.at ? std::optional(ToPoint(*options.at)) : std::nullopt;
  return vision::ScaleFromBoard(grey, {*options.columns, *options.rows, *options.square_mm}, at, camera, how);
}

std::string ScaleJson(const vision::ScaleReading& reading, const std::string& method, const cv::Size& size) {
  Json json{{"schema", "conebook.scale/1"},
            {"method", method},
            {"width_px", size.width},
            {"height_px", size.height}};
  json["at_px"] = {reading.at_px.x, reading.at_px.y};
  json["px_per_mm"] = Json::parse(QuantityJson(reading.px_per_mm));
  const auto or_null = [](const std::optional<calib::Quantity>& quantity) {
    return quantity ? Json::parse(QuantityJson(*quantity)) : Json(nullptr);
  };
  json["tilt_deg"] = or_null(reading.tilt_deg);
  if (!reading.tilt_deg) json["no_tilt"] = reading.no_tilt;
  json["axis_deg"] = or_null(reading.axis_deg);
  json["warnings"] = reading.warnings;
  return json.dump(2, ' ', false, Json::error_handler_t::replace) + "\n";
}

void Print(const char* name, const calib::Quantity& quantity, const char* unit) {
  fmt::print("{}  {} {}\n", name, ValueWithU(quantity), unit);
  for (const calib::Contribution& part : quantity.budget) fmt::print("    {:.2g}  {}\n", part.u, part.source);
}

}  // namespace

int CalibrateScaleCommand(const CalibrateScaleOptions& options) {
  const std::string method = MethodOf(options);
  CheckUncertainties(options);
  if (options.out.empty() && !options.json)
    throw InputError("--out SCALE.toml is missing: the scale file that the rig will refer to");
  if (!options.out.empty()) CheckCanWrite(options.out);
  CheckOutput(options.json);
  const vision::Picture picture = vision::TakePictures(options.image, 1).front();
  const vision::ScaleReading reading = Read(options, method, picture.grey);
  if (!options.out.empty())
    WriteWhole(options.out,
               ScaleFileText(reading, picture.grey.cols, picture.grey.rows, method,
                             fmt::format("By conebook calibrate scale, from {}.", picture.name)));
  if (options.json) WriteOutput(*options.json, ScaleJson(reading, method, picture.grey.size()));
  if (!options.quiet && options.json != "-") {
    Print("scale", reading.px_per_mm, "px/mm");
    if (reading.tilt_deg) Print("tilt ", *reading.tilt_deg, "deg");
    if (reading.axis_deg) Print("axis ", *reading.axis_deg, "deg");
    if (!reading.tilt_deg) fmt::print("{}\n", reading.no_tilt);
  }
  if (!options.quiet) {
    for (const std::string& warning : reading.warnings) fmt::print(stderr, "warning: {}\n", warning);
  }
  FlushOutput();
  return 0;
}

}  // namespace conebook::src
