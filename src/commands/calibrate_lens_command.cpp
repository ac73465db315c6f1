#include <cmath>

#include <fmt/core.h>
#include <nlohmann/json.hpp>

#include <calib/error.h>
#include <vision/lens_calibration.h>

#include "src/commands/calibrate_command.h"
#include "src/commands/output.h"
#include "src/lens_file.h"
#include "src/output_file.h"
#include "src/quantity_json.h"
#include "src/report/digits.h"
#include "src/text_table.h"

namespace conebook::src {
namespace {

using Json = nlohmann::ordered_json;

constexpr int kPicturesOfAClip = 30;

std::string LensJson(const CalibrateLensOptions& options, const vision::LensCalibration& result) {
  Json json;
  json["schema"] = "conebook.lens/1";
  json["width_px"] = result.lens.width_px;
  json["height_px"] = result.lens.height_px;
  json["board"] = {{"columns", options.columns}, {"rows", options.rows}, {"square_mm", options.square_mm}};
  for (const auto& [key, quantity] : result.parameters) json[key] = Json::parse(QuantityJson(quantity));
  json["rms_px"] = result.lens.rms_px;
  json["views_used"] = result.views_used;
  json["views_tilted"] = result.tilted_views;
  json["frame_covered"] = result.covered;
  json["views"] = Json::array();
  for (const vision::LensView& view : result.views) {
    Json one{{"name", view.name}, {"found", view.found}};
    one["rms_px"] = view.found ? Json(view.rms_px) : Json(nullptr);
    one["tilt_deg"] = view.found ? Json(view.tilt_deg) : Json(nullptr);
    json["views"].push_back(std::move(one));
  }
  json["warnings"] = result.warnings;
  return json.dump(2, ' ', false, Json::error_handler_t::replace) + "\n";
}

void PrintLens(const vision::LensCalibration& result) {
  std::vector<std::vector<std::string>> rows{{"", "value", "u", "by window", "by views"}};
  for (const auto& [key, quantity] : result.parameters) {
    const Rounded rounded = RoundByU(quantity.value, quantity.u);
    std::string window = "0", views = "0";
    for (const calib::Contribution& part : quantity.budget)
      (part.source.rfind("corner", 0) == 0 ? window : views) = fmt::format("{:.2g}", part.u);
    rows.push_back({key, rounded.value, rounded.u, window, views});
  }
  fmt::print("{}rms {:.3f} px; {} of {} views used, {} of them tilted; corners in {:.0f} % of the frame\n",
             TextTable(rows), result.lens.rms_px, result.views_used, result.views.size(), result.tilted_views,
             100.0 * result.covered);
}

}  // namespace

int CalibrateLensCommand(const CalibrateLensOptions& options) {
  if (options.out.empty() && !options.json)
    throw calib::InputError("--out LENS.toml is missing: the lens file that the rig will refer to");
  if (!options.out.empty()) CheckCanWrite(options.out);
  CheckOutput(options.json);
  std::vector<vision::Picture> pictures;
  for (const std::string& file : options.files) {
    for (vision::Picture& picture : vision::TakePictures(file, kPicturesOfAClip))
      pictures.push_back(std::move(picture));
  }
  const vision::LensCalibration result =
      vision::CalibrateLens(pictures, {options.columns, options.rows, options.square_mm});
  if (!options.out.empty()) {
    WriteWhole(options.out,
               LensFileText(result.lens,
                            fmt::format("By conebook calibrate lens: {} views of a board of {} x {} inner "
                                        "corners, squares of {:g} mm.\nFor pictures of {} x {} px of this "
                                        "camera in this mode.",
                                        result.views_used, options.columns, options.rows, options.square_mm,
                                        result.lens.width_px, result.lens.height_px)));
  }
  if (options.json) WriteOutput(*options.json, LensJson(options, result));
  if (!options.quiet && options.json != "-") PrintLens(result);
  if (!options.quiet) {
    for (const std::string& warning : result.warnings) fmt::print(stderr, "warning: {}\n", warning);
  }
  FlushOutput();
  return 0;
}

}  // namespace conebook::src
