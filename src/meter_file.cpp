#include "src/meter_file.h"

#include <fmt/core.h>

#include <calib/error.h>

#include "src/file_section.h"

namespace conebook::src {
namespace {

constexpr std::size_t kMostCoefficients = 3;

}  // namespace

const char* RateUnitOf(calib::MeterKind kind) {
  switch (kind) {
    case calib::MeterKind::kPulses:
      return "pulse_hz";
    case calib::MeterKind::kVolume:
      return "l_s";
    case calib::MeterKind::kMass:
      return "kg_s";
  }
  return "pulse_hz";
}

MeterFile ReadMeterFile(const std::string& path) {
  const FileSection section(path, "meter",
                            {"rate_unit", "mid_rate", "coefficients", "covariance", "dof", "lowest_rate",
                             "highest_rate", "u_run_percent", "u_common_percent", "date", "expires"},
                            "calibrate meter");
  MeterFile file;
  calib::MeterCurve& curve = file.curve;
  const std::string unit = section.Text("rate_unit", {"pulse_hz", "l_s", "kg_s"});
  for (const calib::MeterKind kind :
       {calib::MeterKind::kPulses, calib::MeterKind::kVolume, calib::MeterKind::kMass}) {
    if (unit == RateUnitOf(kind)) curve.kind = kind;
  }
  curve.mid_rate = section.Number("mid_rate", 0.0);
  const std::size_t count = section.CountOf("coefficients");
  if (count < 1 || count > kMostCoefficients)
    throw calib::InputError(section.Place("coefficients") + ": expected one to three numbers in brackets");
  const auto n = static_cast<Eigen::Index>(count);
  const std::vector<double> coefficients = section.Numbers("coefficients", count),
                            covariance = section.Numbers("covariance", count * count);
  curve.coefficients = Eigen::Map<const Eigen::VectorXd>(coefficients.data(), n);
  curve.covariance = Eigen::Map<const Eigen::MatrixXd>(covariance.data(), n, n);
  curve.dof = section.Number("dof", 0.0);
  curve.lowest_rate = section.Number("lowest_rate", 0.0);
  curve.highest_rate = section.Number("highest_rate", curve.lowest_rate, true);
  curve.u_run_share = section.Number("u_run_percent", 0.0, true) / 100.0;
  curve.u_common_share = section.Number("u_common_percent", 0.0, true) / 100.0;
  file.date = section.Day("date");
  file.expires = section.Day("expires");
  for (const double rate : {curve.lowest_rate, curve.mid_rate, curve.highest_rate}) {
    if (!(ValueAt(curve, rate).value > 0.0))
      throw calib::InputError(
          fmt::format("{}: gives no K above 0 at a rate of {:g}", section.Place("coefficients"), rate));
  }
  return file;
}

std::string MeterFileText(const MeterFile& file, const std::string& remark) {
  const calib::MeterCurve& curve = file.curve;
  const char* const what =
      curve.kind == calib::MeterKind::kPulses ? "K in pulses a litre" : "true over indicated flow";
  std::string text =
      fmt::format("# {}\n# {}: sum of coefficient[i] * (rate / mid_rate - 1)^i; rates in {}.\n[meter]\n",
                  remark, what, RateUnitOf(curve.kind));
  const auto values = [](const double* data, Eigen::Index count) {
    return std::vector<double>(data, data + count);
  };
  text += TextLine("rate_unit", RateUnitOf(curve.kind)) + NumberLine("mid_rate", curve.mid_rate) +
          NumbersLine("coefficients", values(curve.coefficients.data(), curve.coefficients.size())) +
          NumbersLine("covariance", values(curve.covariance.data(), curve.covariance.size())) +
          NumberLine("dof", curve.dof) + NumberLine("lowest_rate", curve.lowest_rate) +
          NumberLine("highest_rate", curve.highest_rate) +
          NumberLine("u_run_percent", 100.0 * curve.u_run_share) +
          NumberLine("u_common_percent", 100.0 * curve.u_common_share) + DayLines(file.date, file.expires);
  return text;
}

}  // namespace conebook::src
