#include <cmath>

#include <fmt/core.h>
#include <nlohmann/json.hpp>

#include <calib/error.h>

#include "src/bucket_test.h"
#include "src/commands/calibrate_stand_command.h"
#include "src/commands/output.h"
#include "src/iso_date.h"
#include "src/meter_file.h"
#include "src/output_file.h"
#include "src/text_table.h"

namespace conebook::src {
namespace {

using Json = nlohmann::ordered_json;
using calib::InputError;
using calib::MeterCurveFit;
using calib::MeterKind;

constexpr double kBendIsReal = 0.01;  // chance below which a bend is said
constexpr int kRatesForLine = 3;

void NotNegative(const char* name, std::optional<double> u) {
  if (u && !(*u >= 0.0)) throw InputError(fmt::format("{}: a standard uncertainty is not negative", name));
}

BucketOptions BucketOf(const CalibrateMeterOptions& options) {
  NotNegative("--u-mass-kg", options.u_mass_kg);
  NotNegative("--u-time-s", options.u_time_s);
  NotNegative("--u-scale-percent", options.u_scale_percent);
  BucketOptions bucket;
  bucket.liquid.liquid = options.liquid;
  if (options.temperature_c)
    bucket.liquid.temperature_c = calib::Stated{*options.temperature_c, 1.0, false, true};
  if (options.density_kg_m3)
    bucket.liquid.density_kg_m3 =
        calib::Stated{*options.density_kg_m3, 0.002 * *options.density_kg_m3, false, true};
  bucket.u_mass_kg = options.u_mass_kg.value_or(bucket.u_mass_kg);
  bucket.u_time_s = options.u_time_s.value_or(bucket.u_time_s);
  if (options.u_scale_percent) bucket.u_scale_share = *options.u_scale_percent / 100.0;
  return bucket;
}

int CoefficientsOf(const std::string& curve) {
  return curve == "constant" ? 1 : curve == "line" ? 2 : 3;
}

MeterCurveFit FitFor(const CalibrateMeterOptions& options, const BucketTest& test) {
  const auto constant = FitMeterCurve(test.kind, test.runs, 1, test.u_common_share);
  if (!constant)
    throw InputError(options.bucket + ": one run cannot tell how well it repeats; two or more are needed");
  const int wanted = options.curve                      ? CoefficientsOf(*options.curve)
                     : constant->rates >= kRatesForLine ? 2
                                                        : 1;
  if (wanted == 1) return *constant;
  const auto fit = FitMeterCurve(test.kind, test.runs, wanted, test.u_common_share);
  if (!fit)
    throw InputError(fmt::format(
        "{}: {} runs at {} different rates do not carry a {}; it needs {} rates and {} runs", options.bucket,
        test.runs.size(), constant->rates, options.curve.value_or("line"), wanted, wanted + 1));
  return *fit;
}

std::vector<std::string> WarningsOf(const BucketTest& test, const MeterCurveFit& fit) {
  std::vector<std::string> warnings;
  if (fit.chance_of_bend < kBendIsReal)
    warnings.push_back(fmt::format(
        "the runs bend away from this (chance of that by scatter alone: {:.2g}); {} would follow them",
        fit.chance_of_bend,
        fit.curve.coefficients.size() == 1   ? "--curve line"
        : fit.curve.coefficients.size() == 2 ? "--curve curve"
                                             : "no curve here"));
  if (!fit.repeatability_share)
    warnings.emplace_back(
        "no rate was run twice, so repeatability is not known; three runs at each rate tell it");
  if (fit.rates < kRatesForLine)
    warnings.push_back(fmt::format("{} rate{}: how K goes with the rate is not known", fit.rates,
                                   fit.rates == 1 ? "" : "s"));
  if (!test.ignored.empty()) {
    std::string names;
    for (const std::string& name : test.ignored) names += (names.empty() ? "" : ", ") + name;
    warnings.push_back("columns that were not used: " + names);
  }
  return warnings;
}

const char* NameOf(const calib::MeterCurve& curve) {
  return curve.coefficients.size() == 1 ? "constant" : curve.coefficients.size() == 2 ? "line" : "curve";
}

std::string MeterJson(const MeterFile& file, const BucketTest& test, const MeterCurveFit& fit,
                      const std::vector<std::string>& warnings) {
  const calib::MeterCurve& curve = file.curve;
  Json json{{"schema", "conebook.meter/1"}, {"rate_unit", RateUnitOf(curve.kind)}, {"curve", NameOf(curve)}};
  json["value"] = curve.kind == MeterKind::kPulses ? "pulses_per_l" : "true_over_indicated";
  json["mid_rate"] = curve.mid_rate;
  json["coefficients"] =
      std::vector<double>(curve.coefficients.data(), curve.coefficients.data() + curve.coefficients.size());
  json["dof"] = curve.dof;
  json["lowest_rate"] = curve.lowest_rate;
  json["highest_rate"] = curve.highest_rate;
  json["u_run_percent"] = 100.0 * curve.u_run_share;
  json["u_common_percent"] = 100.0 * curve.u_common_share;
  json["linearity_percent"] = 100.0 * fit.linearity_share;
  json["repeatability_percent"] =
      fit.repeatability_share ? Json(100.0 * *fit.repeatability_share) : Json(nullptr);
  json["chance_of_bend"] = fit.chance_of_bend;
  json["date"] = file.date;
  json["expires"] = file.expires.empty() ? Json(nullptr) : Json(file.expires);
  json["at"] = Json::array();
  for (const double rate : {curve.lowest_rate, curve.mid_rate, curve.highest_rate}) {
    const calib::MeterValue at = ValueAt(curve, rate);
    json["at"].push_back({{"rate", rate}, {"value", at.value}, {"u", at.u_share * at.value}});
  }
  json["runs"] = Json::array();
  for (std::size_t i = 0; i < test.runs.size(); ++i)
    json["runs"].push_back({{"line", test.lines[i]},
                            {"rate", test.runs[i].rate},
                            {"value", test.runs[i].value},
                            {"u", test.runs[i].u_value},
                            {"off_percent", 100.0 * fit.residual_share[i]}});
  json["warnings"] = warnings;
  return json.dump(2, ' ', false, Json::error_handler_t::replace) + "\n";
}

void PrintMeter(const MeterFile& file, const BucketTest& test, const MeterCurveFit& fit) {
  const calib::MeterCurve& curve = file.curve;
  const bool pulses = curve.kind == MeterKind::kPulses;
  const char* const unit = pulses ? "Hz" : curve.kind == MeterKind::kVolume ? "l/s" : "kg/s";
  std::vector<std::vector<std::string>> rows{
      {"run", "kg", "s", unit, pulses ? "pulses/l" : "true/shown", "off the curve"}};
  for (std::size_t i = 0; i < test.runs.size(); ++i)
    rows.push_back({std::to_string(i + 1), fmt::format("{:.3f}", test.mass_kg[i]),
                    fmt::format("{:.1f}", test.time_s[i]), fmt::format("{:.4g}", test.runs[i].rate),
                    fmt::format("{:.6g}", test.runs[i].value),
                    fmt::format("{:+.2f} %", 100.0 * fit.residual_share[i])});
  fmt::print("{}", TextTable(rows));
  for (const double rate : {curve.lowest_rate, curve.mid_rate, curve.highest_rate}) {
    const calib::MeterValue at = ValueAt(curve, rate);
    fmt::print("at {:.4g} {}: {:.6g}, u {:.2f} %\n", rate, unit, at.value, 100.0 * at.u_share);
  }
  fmt::print(
      "{} in the rate; linearity {:.2f} %, repeatability {}; in u: {:.2f} % of the meter itself, {:.2f} % of "
      "scale, "
      "air{}\n",
      NameOf(curve), 100.0 * fit.linearity_share,
      fit.repeatability_share ? fmt::format("{:.2f} %", 100.0 * *fit.repeatability_share) : "not known",
      100.0 * curve.u_run_share, 100.0 * curve.u_common_share,
      curve.kind == MeterKind::kMass ? "" : " and density");
}

}  // namespace

int CalibrateMeterCommand(const CalibrateMeterOptions& options) {
  if (options.out.empty() && !options.json)
    throw InputError("--out METER.toml is missing: the meter file that the rig will refer to");
  if (!options.out.empty()) CheckCanWrite(options.out);
  CheckOutput(options.json);
  MeterFile file;
  file.date = StatedDay(options.date, "--date").value_or(Today());
  file.expires = StatedDay(options.expires, "--expires").value_or("");
  const BucketTest test = ReadBucketTest(options.bucket, BucketOf(options));
  const MeterCurveFit fit = FitFor(options, test);
  file.curve = fit.curve;
  const std::vector<std::string> warnings = WarningsOf(test, fit);
  if (!options.out.empty())
    WriteWhole(options.out,
               MeterFileText(file, fmt::format("By conebook calibrate meter, from {} runs into a bucket.",
                                               test.runs.size())));
  if (options.json) WriteOutput(*options.json, MeterJson(file, test, fit, warnings));
  if (!options.quiet && options.json != "-") PrintMeter(file, test, fit);
  if (!options.quiet) {
    for (const std::string& warning : warnings) fmt::print(stderr, "warning: {}\n", warning);
  }
  FlushOutput();
  return 0;
}

}  // namespace conebook::src
