#include <fmt/core.h>
#include <nlohmann/json.hpp>

#include <calib/error.h>

#include "src/commands/calibrate_stand_command.h"
#include "src/commands/output.h"
#include "src/iso_date.h"
#include "src/line_loss_file.h"
#include "src/line_loss_run.h"
#include "src/output_file.h"
#include "src/quantity_json.h"
#include "src/report/digits.h"
#include "src/rig.h"
#include "src/text_table.h"

namespace conebook::src {
namespace {

using Json = nlohmann::ordered_json;
using calib::InputError;

std::string LineJson(const LineLossFile& file, const LineLossReading& reading) {
  Json json{{"schema", "conebook.line/1"}};
  json["k_per_m4"] = Json::parse(QuantityJson(reading.k_per_m4));
  json["flow_area_mm2"] = calib::FlowAreaOfLineMm2(file.k_per_m4);
  json["exponent"] = reading.fit.exponent
                         ? Json{{"value", *reading.fit.exponent}, {"u", *reading.fit.u_exponent}}
                         : Json(nullptr);
  json["date"] = file.date;
  json["expires"] = file.expires.empty() ? Json(nullptr) : Json(file.expires);
  json["points"] = Json::array();
  for (const LineLossPoint& point : reading.points)
    json["points"].push_back(
        {{"flow_l_s", point.flow_l_s}, {"loss_bar", point.loss_bar}, {"fitted_bar", point.fitted_bar}});
  json["warnings"] = reading.warnings;
  return json.dump(2, ' ', false, Json::error_handler_t::replace) + "\n";
}

void PrintLine(const LineLossFile& file, const LineLossReading& reading) {
  std::vector<std::vector<std::string>> rows{{"flow l/s", "loss bar", "k gives"}};
  for (const LineLossPoint& point : reading.points)
    rows.push_back({fmt::format("{:.4g}", point.flow_l_s), fmt::format("{:.4f}", point.loss_bar),
                    fmt::format("{:.4f}", point.fitted_bar)});
  fmt::print("{}k         {:.4g} per m4, u {:.2g} %\n", TextTable(rows), file.k_per_m4,
             100.0 * file.u_k_per_m4 / file.k_per_m4);
  for (const calib::Contribution& part : reading.k_per_m4.budget)
    fmt::print("    {:.2g} %  {}\n", 100.0 * part.u / file.k_per_m4, part.source);
  fmt::print("the line passes like a flow area of {:.3g} mm2\n", calib::FlowAreaOfLineMm2(file.k_per_m4));
  if (reading.fit.exponent)
    fmt::print("exponent  {} (2 where the loss is turbulent)\n",
               ValueWithU({*reading.fit.exponent, *reading.fit.u_exponent, {}, {}}));
}

}  // namespace

int CalibrateLineCommand(const CalibrateLineOptions& options) {
  if (options.out.empty() && !options.json)
    throw InputError("--out LINE.toml is missing: the line file that the rig will refer to");
  if (!options.rig)
    throw InputError("--rig RIG.toml is missing: sensors, liquid and height of the tap stand there");
  if (!options.out.empty()) CheckCanWrite(options.out);
  CheckOutput(options.json);
  LineLossFile file;
  file.date = StatedDay(options.date, "--date").value_or(Today());
  file.expires = StatedDay(options.expires, "--expires").value_or("");
  const LineLossReading reading = ReadLineLoss(ReadRig(*options.rig), options.log);
  file.k_per_m4 = reading.k_per_m4.value;
  file.u_k_per_m4 = reading.k_per_m4.u;
  file.dof = std::min(reading.k_per_m4.dof, 1e6);
  file.meter = reading.meter;
  file.sensor = reading.sensor;
  file.k_share_by_meter = reading.k_share_by_meter;
  file.k_share_by_sensor = reading.k_share_by_sensor;
  if (!options.out.empty())
    WriteWhole(options.out,
               LineLossFileText(file, fmt::format("By conebook calibrate line, from {} flows, {:.3g} to "
                                                  "{:.3g} l/s, with the element removed.",
                                                  reading.points.size(), reading.points.front().flow_l_s,
                                                  reading.points.back().flow_l_s)));
  if (options.json) WriteOutput(*options.json, LineJson(file, reading));
  if (!options.quiet && options.json != "-") PrintLine(file, reading);
  if (!options.quiet) {
    for (const std::string& warning : reading.warnings) fmt::print(stderr, "warning: {}\n", warning);
  }
  FlushOutput();
  return 0;
}

}  // namespace conebook::src
