#include "calib/line_loss.h"

#include <algorithm>
#include <cmath>

#include "calib/curve_fit.h"
#include "calib/regression.h"

namespace conebook::calib {

std::optional<LineFitResult> FitLineLoss(const std::vector<LineRun>& runs) {
  std::vector<FitPoint> points;
  std::vector<double> log_flow, log_loss;
  double largest = 0.0;
  for (const LineRun& run : runs)
    largest = std::max(largest, run.density_kg_m3 * run.flow_m3_s * run.flow_m3_s);
  if (!(largest > 0.0)) return std::nullopt;
  bool all_lose = true;
  for (const LineRun& run : runs) {
    const double per_flow = run.density_kg_m3 * run.flow_m3_s / largest;  // near one, for the fit's sake
    points.push_back(
        {per_flow * run.flow_m3_s, run.loss_pa, 2.0 * per_flow * run.u_flow_m3_s, run.u_loss_pa});
    all_lose = all_lose && run.loss_pa > 0.0 && run.flow_m3_s > 0.0;
    if (!all_lose) continue;
    log_flow.push_back(std::log(run.flow_m3_s));
    log_loss.push_back(std::log(run.loss_pa / run.density_kg_m3));
  }
  const auto fit = FitCurve(points, {1});
  if (!fit) return std::nullopt;
  LineFitResult result;
  result.k_per_m4 = fit->coefficients[0] / largest;
  result.u_k_per_m4 = std::sqrt(fit->covariance(0, 0)) / largest;
  result.dof = fit->dof;
  if (all_lose && runs.size() >= 3) {
    if (const auto power = FitLine(log_flow, log_loss); power && power->sd_slope) {
      result.exponent = power->slope;
      result.u_exponent = *power->sd_slope;
    }
  }
  return result;
}

double LineLossPa(double k_per_m4, double density_kg_m3, double flow_m3_s) {
  return k_per_m4 * density_kg_m3 * flow_m3_s * flow_m3_s;
}

double FlowAreaOfLineMm2(double k_per_m4) {
  return 1e6 / std::sqrt(2.0 * k_per_m4);
}

}  // namespace conebook::calib
