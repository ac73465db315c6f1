#include "src/line_loss_run.h"

#include <cmath>
#include <functional>

#include <fmt/core.h>

#include <calib/error.h>

#include "src/discharge.h"
#include "src/flow_average.h"
#include "src/liquid_state.h"
#include "src/pressure_points.h"
#include "src/rest_zero.h"
#include "src/stand_log.h"
#include "src/stand_sensors.h"

namespace conebook::src {
namespace {

using calib::Contribution;
using calib::InputError;
using calib::Shared;

constexpr double kPaPerBar = 1e5;
constexpr double kLeastUShare = 1e-4;  // of a loss whose rows do not scatter at all
constexpr double kExponentOff = 0.15;  // of 2

// What a point is made of: the run itself, and what it shares with the others, by source.
struct Parts {
  calib::LineRun run;
  std::vector<Contribution> pressure_pa, flow_share;
};

Parts PartsOf(const PointDischarge& point, const calib::Quantity& density) {
  Parts parts;
  parts.run.density_kg_m3 = density.value;
  parts.run.flow_m3_s = point.flow_kg_s->value / density.value;
  parts.run.loss_pa = point.pressure_bar->value * kPaPerBar;
  double own_pressure = 0.0, own_flow = 0.0;
  for (Contribution part : point.pressure_bar->budget) {
    part.u *= kPaPerBar;
    if (part.shared == Shared::kFrames) {
      own_pressure = std::hypot(own_pressure, part.u);
    } else {
      parts.pressure_pa.push_back(std::move(part));
    }
  }
  for (Contribution part : point.flow_kg_s->budget) {
    part.u /= point.flow_kg_s->value;
    if (part.shared == Shared::kFrames) {
      own_flow = std::hypot(own_flow, part.u);
    } else if (part.shared == Shared::kMeter) {
      parts.flow_share.push_back(std::move(part));
    }
  }
  parts.run.u_loss_pa = std::max(own_pressure, kLeastUShare * std::abs(parts.run.loss_pa));
  parts.run.u_flow_m3_s = own_flow * parts.run.flow_m3_s;
  return parts;
}

std::vector<calib::LineRun> RunsOf(const std::vector<Parts>& all) {
  std::vector<calib::LineRun> runs;
  for (const Parts& parts : all) runs.push_back(parts.run);
  return runs;
}

// How k moves, up or down, when one shared source is too high by its u at every point.
double MovesBy(const std::vector<Parts>& all, double k_per_m4, const std::string& source, bool of_flow) {
  std::vector<calib::LineRun> runs = RunsOf(all);
  for (std::size_t i = 0; i < all.size(); ++i) {
    for (const Contribution& part : of_flow ? all[i].flow_share : all[i].pressure_pa) {
      if (part.source != source) continue;
      if (of_flow) {
        runs[i].flow_m3_s *= 1.0 + part.u;
      } else {
        runs[i].loss_pa += part.u;
      }
    }
  }
  const auto moved = calib::FitLineLoss(runs);
  return moved ? moved->k_per_m4 - k_per_m4 : 0.0;
}

void Warn(LineLossReading& reading) {
  const calib::LineFitResult& fit = reading.fit;
  if (!fit.exponent) {
    reading.warnings.emplace_back(
        "two flows cannot tell whether the loss goes with the square of the flow; run three or more");
    return;
  }
  const double off = std::abs(*fit.exponent - 2.0);
  if (off > kExponentOff && off > 2.0 * *fit.u_exponent)
    reading.warnings.push_back(
        fmt::format("the loss goes with flow to the power {:.2f}, not 2: laminar flow in a thin line, a zero "
                    "error of the "
                    "pressure sensor, or a wrong height of the tap; k holds near these flows only",
                    *fit.exponent));
}

}  // namespace

LineLossReading ReadLineLoss(const Rig& rig, const std::string& log_path) {
  // Without the element, the element's share of the drop is none: the tap's place does not matter here.
  const StandLog log = ReadStandLog(log_path, rig.log);
  Rig line = WithZeroAtRest(rig, log);
  line.line_loss.reset();
  line.stand.tap = PressureTap::kElement;
  CheckLogFlow(line, log.flow_kind);
  if (log.flow_kind == FlowKind::kNone)
    throw InputError(log_path + ": the log has no flow; the line's loss is fitted against it");
  std::vector<double> gauge_bar;
  for (const double bar : log.pressure_bar) gauge_bar.push_back(GaugeBar(line, bar));
  const auto stretches = FindSteadyStretches(log.time_s, gauge_bar, log.flow);
  const auto flow = AverageFlow(log.time_s, log.flow, log.flow_kind == FlowKind::kPulseHz, stretches);
  const std::vector<PointReading> readings = ReadingsFromLog(log, stretches, flow);
  const Discharge discharge = ComputeDischarge(line, readings);
  std::vector<Parts> all;
  calib::Quantity density;
  for (const PointDischarge& point : discharge.points) {
    if (!point.flow_kg_s || !(point.pressure_bar->value > 0.0)) continue;
    density = LiquidAt(line, point.temperature_c, kPaPerBar).density_kg_m3;
    all.push_back(PartsOf(point, density));
  }
  const auto fit = calib::FitLineLoss(RunsOf(all));
  if (!fit || !(fit->k_per_m4 > 0.0))
    throw InputError(
        fmt::format("{}: {} steady stretch{} with flow and loss; a line needs two or more, at different "
                    "flows, with the element removed",
                    log_path, all.size(), all.size() == 1 ? "" : "es"));
  LineLossReading reading;
  reading.fit = *fit;
  std::vector<Contribution> budget{
      {"scatter about the line", fit->u_k_per_m4, Shared::kClip, static_cast<double>(fit->dof)}};
  for (const bool of_flow : {false, true}) {
    for (const Contribution& part : of_flow ? all.front().flow_share : all.front().pressure_pa) {
      const double moves = MovesBy(all, fit->k_per_m4, part.source, of_flow);
      budget.push_back({part.source, std::abs(moves), part.shared, part.dof});
      // Of the meter's sources one is its own, and so of the sensor's; a zero is another each day.
      if (part.shared == Shared::kMeter)
        (of_flow ? reading.k_share_by_meter : reading.k_share_by_sensor) = moves / fit->k_per_m4;
    }
  }
  reading.meter = MeterIdentity(line);
  reading.sensor = SensorIdentity(line);
  // Flow as volume: k goes with 1 / density. Flow as mass: with density.
  for (Contribution part : density.budget) {
    part.u *= fit->k_per_m4 / density.value;
    budget.push_back(std::move(part));
  }
  reading.k_per_m4 = calib::Combine(fit->k_per_m4, std::move(budget));
  for (const Parts& parts : all)
    reading.points.push_back(
        {1e3 * parts.run.flow_m3_s, parts.run.loss_pa / kPaPerBar,
         calib::LineLossPa(fit->k_per_m4, parts.run.density_kg_m3, parts.run.flow_m3_s) / kPaPerBar});
  for (const calib::Flag& flag : discharge.flags) {
    if (flag.code == "meter_out_of_range" || flag.code == "pressure_out_of_range")
      reading.warnings.push_back(flag.message);
  }
  Warn(reading);
  return reading;
}

}  // namespace conebook::src
