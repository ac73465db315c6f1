#include <cmath>
#include <filesystem>
#include <fstream>
#include <numbers>
#include <sstream>

#include <fmt/core.h>
#include <nlohmann/json.hpp>

#include <calib/error.h>
#include <vision/pictures.h>
#include <vision/solid_shape.h>

#include "src/commands/calibrate_command.h"
#include "src/commands/output.h"
#include "src/cone_checks.h"
#include "src/iso_date.h"
#include "src/output_file.h"
#include "src/quantity_json.h"
#include "src/report/cone_checks_page.h"
#include "src/report/digits.h"
#include "src/rig.h"
#include "src/sha256.h"

namespace conebook::src {
namespace {

using Json = nlohmann::ordered_json;
using calib::InputError;
namespace fs = std::filesystem;

constexpr int kPicturesOfAClip = 25;
constexpr double kTurnedDeg = 0.05;      // a compound slide set by its scale, or a bought centre
constexpr double kPrintStretch = 0.002;  // one way of the paper against the other

double KnownU(const CalibrateConeOptions& options) {
  if (options.u_half_angle_deg) return *options.u_half_angle_deg;
  if (options.shape == "cone") return kTurnedDeg;
  // tan a goes with the stretch: da = sin a cos a per unit of it.
  const double a = *options.half_angle_deg * std::numbers::pi / 180.0;
  return kPrintStretch * std::sin(a) * std::cos(a) * 180.0 / std::numbers::pi;
}

vision::View ViewOf(const CalibrateConeOptions& options) {
  vision::View view;
  if (options.rig) {
    view = ReadRig(*options.rig).view;
  } else {
    view.axis_deg.value = options.axis_deg;
  }
  return view;
}

std::string BytesOf(const std::string& path) {
  std::ostringstream bytes;
  bytes << std::ifstream(path, std::ios::binary).rdbuf();
  return bytes.str();
}

std::string ConeJson(const CalibrateConeOptions& options, const ConeCheck& check,
                     const vision::SolidReading& reading) {
  Json json{{"schema", "conebook.cone/1"},
            {"date", check.date},
            {"clip", check.clip},
            {"sha256", check.sha256},
            {"shape", check.shape},
            {"pictures", reading.pictures},
            {"pictures_without", reading.pictures_without}};
  json["tip_px"] = {reading.tip_px.x, reading.tip_px.y};
  json["known_deg"] = Json::parse(QuantityJson(calib::Combine(
      check.known_deg.value, {{options.u_half_angle_deg ? "known half angle" : "known half angle (assumed)",
                               check.known_deg.u, calib::Shared::kRig}})));
  json["half_angle_deg"] = {{"mean", Json::parse(QuantityJson(reading.mean_deg))},
                            {"left", Json::parse(QuantityJson(reading.left_deg))},
                            {"right", Json::parse(QuantityJson(reading.right_deg))},
                            {"lean", Json::parse(QuantityJson(reading.lean_deg))}};
  std::vector<calib::Contribution> parts = reading.mean_deg.budget;
  parts.push_back({options.u_half_angle_deg ? "known half angle" : "known half angle (assumed)",
                   check.known_deg.u, calib::Shared::kRig});
  json["difference_deg"] =
      Json::parse(QuantityJson(calib::Combine(check.Difference_deg(), std::move(parts))));
  json["u_tilt_deg"] = reading.u_tilt_deg;
  json["within_2u"] = std::abs(check.Difference_deg()) <= 2.0 * check.U_deg();
  json["within_2u_with_tilt"] =
      std::abs(check.Difference_deg()) <= 2.0 * std::hypot(check.U_deg(), reading.u_tilt_deg);
  const auto tilt = [](const std::optional<vision::ImpliedTilt>& one) {
    return one ? Json{{"value", one->value_deg}, {"lo95", one->lo95_deg}, {"hi95", one->hi95_deg}}
               : Json(nullptr);
  };
  json["implied_tilt_deg"] = {{"towards", tilt(reading.towards)}, {"away", tilt(reading.away)}};
  return json.dump(2, ' ', false, Json::error_handler_t::replace) + "\n";
}

void PrintCheck(const ConeCheck& check, const vision::SolidReading& reading) {
  const calib::Quantity difference{check.Difference_deg(), check.U_deg(), calib::Quantity{}.dof, {}};
  fmt::print("measured   {} deg ({} picture{})\nknown      {} deg\ndifference {} deg, {}\n",
             ValueWithU(reading.mean_deg), reading.pictures, reading.pictures == 1 ? "" : "s",
             ValueWithU(check.known_deg), ValueWithU(difference),
             std::abs(difference.value) <= 2.0 * difference.u ? "within 2 u"
             : std::abs(difference.value) <= 2.0 * std::hypot(difference.u, reading.u_tilt_deg)
                 ? "within 2 u only with the u of the tilt"
                 : "beyond 2 u");
  fmt::print("lean       {} deg against the rig's axis\n", ValueWithU(reading.lean_deg));
  if (reading.towards && reading.away) {
    fmt::print(
        "tilt       {:.1f} or {:.1f} deg would explain it; {:.1f} to {:.1f} or {:.1f} to {:.1f} deg (95 %)\n",
        reading.towards->value_deg, reading.away->value_deg, reading.towards->lo95_deg,
        reading.towards->hi95_deg, reading.away->lo95_deg, reading.away->hi95_deg);
  } else {
    fmt::print("tilt       none explains it: a tilt only widens\n");
  }
  for (const calib::Contribution& part : reading.mean_deg.budget)
    fmt::print("    {:.2g}  {}\n", part.u, part.source);
  fmt::print("    {:.2g}  known half angle\n    ({:.2g}  tilt, by the rig's u of it: not counted above)\n",
             check.known_deg.u, reading.u_tilt_deg);
}

ConeCheck CheckOf(const CalibrateConeOptions& options, const vision::SolidReading& reading) {
  ConeCheck check;
  check.date = StatedDay(options.date, "--date").value_or(Today());
  check.clip = NameForResult(*options.clip);
  check.sha256 = FootageSha256(*options.clip);
  check.shape = options.shape;
  check.known_deg = {*options.half_angle_deg, KnownU(options), {}, {}};
  check.measured_deg = {reading.mean_deg.value, reading.mean_deg.u, {}, {}};
  if (reading.towards && reading.away) {
    check.tilt_lo95_deg = reading.away->lo95_deg;
    check.tilt_hi95_deg = reading.towards->hi95_deg;
  }
  return check;
}

void CheckOptions(const CalibrateConeOptions& options) {
  if (!options.clip) {
    if (options.out.empty() || !options.report)
      throw InputError(
          "CLIP is missing; without one, --out CHECKS.toml --report PAGE.html charts what is on file");
    return;
  }
  if (!options.half_angle_deg) throw InputError("--half-angle-deg is missing: half of the cone's full angle");
  if (!(*options.half_angle_deg > 1.0 && *options.half_angle_deg < 80.0))
    throw InputError(fmt::format("--half-angle-deg {:g}: expected 1 to 80, half of the full angle",
                                 *options.half_angle_deg));
  if (options.u_half_angle_deg && !(*options.u_half_angle_deg >= 0.0))
    throw InputError("--u-half-angle-deg: a standard uncertainty is not negative");
}

}  // namespace

int CalibrateConeCommand(const CalibrateConeOptions& options) {
  CheckOptions(options);
  for (const std::optional<std::string>& path : {options.json, options.report}) CheckOutput(path);
  std::vector<ConeCheck> kept;
  const bool on_file = !options.out.empty() && fs::exists(options.out);
  if (!options.out.empty()) CheckCanWrite(options.out);
  if (on_file) kept = ReadConeChecks(options.out);
  if (options.clip) {
    const vision::View view = ViewOf(options);
    vision::SolidOptions how;
    how.kind = options.shape == "cone" ? vision::SolidKind::kCone : vision::SolidKind::kTriangle;
    if (options.tip) how.tip_px = cv::Point2d((*options.tip)[0], (*options.tip)[1]);
    const std::vector<vision::Picture> pictures = vision::TakePictures(*options.clip, kPicturesOfAClip);
    const vision::SolidReading reading =
        vision::MeasureSolid(pictures, view, *options.half_angle_deg, KnownU(options), how);
    const ConeCheck check = CheckOf(options, reading);
    if (!options.out.empty()) {
      WriteWhole(options.out, (on_file ? BytesOf(options.out) : std::string()) + ConeCheckText(check));
      kept = ReadConeChecks(options.out);
    }
    if (options.json) WriteOutput(*options.json, ConeJson(options, check, reading));
    if (!options.quiet && options.json != "-") PrintCheck(check, reading);
    if (!options.quiet && reading.pictures_without > 0)
      fmt::print(stderr, "warning: in {} of {} pictures no such shape is found; they are left out\n",
                 reading.pictures_without, pictures.size());
  }
  if (options.report) {
    const std::string name = options.out.empty() ? "" : fs::path(options.out).filename().string();
    WriteWhole(*options.report, RenderConeChecksHtml(name, kept));
  }
  FlushOutput();
  return 0;
}

}  // namespace conebook::src
