#include "src/discharge.h"

#include <algorithm>
#include <cmath>

#include <fmt/core.h>

#include <calib/line_loss.h>

#include "src/flow_law.h"
#include "src/flow_numbers.h"
#include "src/liquid_state.h"
#include "src/mean_noise.h"
#include "src/reference_area.h"

namespace conebook::src {
namespace {

using calib::Combine;
using calib::Contribution;
using calib::Shared;

constexpr double kStandardAtmosphereBar = 1.01325;
constexpr double kGravityMS2 = 9.80665;
constexpr double kPaPerBar = 1e5;

// A loss that nobody measured: anything up to this share of the drop, a rectangle from none on.
constexpr double kUnknownLossShare = 0.10;

// Mass flow; its budget in shares of it, density apart.
struct Flow {
  double kg_s = 0.0;
  std::vector<Contribution> shares;
  bool by_volume = false;
  bool in_range = true;
  std::string meter_source;  // empty: stated for this reading
};

Flow FlowAt(const Rig& rig, const PointReading& reading, double density_kg_m3) {
  Flow flow;
  flow.by_volume = reading.flow_kind != FlowKind::kMassKgS;
  flow.shares.push_back(
      {"scatter of the flow", reading.u_flow_statistics / reading.flow, Shared::kFrames, reading.flow_dof});
  FlowWorth worth;
  if (!reading.flow_shares.empty()) {
    // Stated for this reading, so not the meter's.
    worth.flow = reading.flow;
    flow.shares.insert(flow.shares.end(), reading.flow_shares.begin(), reading.flow_shares.end());
  } else {
    worth = FlowOf(rig, reading.flow_kind, reading.flow);
    flow.shares.push_back({worth.source, worth.u_share, Shared::kMeter, worth.dof});
    flow.meter_source = worth.source;
    flow.in_range = worth.in_range;
  }
  flow.shares.insert(flow.shares.end(), reading.flow_also.begin(), reading.flow_also.end());
  flow.kg_s = flow.by_volume ? worth.flow * 1e-3 * density_kg_m3 : worth.flow;
  return flow;
}

calib::Quantity MassFlow(const Flow& flow, const calib::Quantity& density) {
  std::vector<Contribution> budget = flow.shares;
  for (Contribution& part : budget) part.u *= flow.kg_s;
  if (flow.by_volume) {
    for (Contribution part : density.budget) {
      part.u *= flow.kg_s / density.value;
      budget.push_back(std::move(part));
    }
  }
  return Combine(flow.kg_s, std::move(budget));
}

struct Drop {
  calib::Quantity bar;
  std::vector<Contribution> apart;  // of its budget, what does not come in by way of the flow
  double loss_over_drop = 0.0;
  // By what share the line's k moves where the meter reads too high by its u: nought unless the line was
  // measured with this very meter.
  double k_share_by_meter = 0.0;
  bool loss_unknown = false;
  bool in_range = true;
};

// flow: nothing where there is none.
Drop PressureDrop(const Rig& rig, const PointReading& reading, const calib::Quantity& density,
                  const std::optional<Flow>& flow) {
  Drop drop;
  std::vector<Contribution>& budget = drop.apart;
  std::string sensor_source;
  double drop_bar = reading.pressure_bar;
  budget.push_back(
      {"scatter of the pressure", reading.u_pressure_statistics_bar, Shared::kFrames, reading.pressure_dof});
  if (reading.u_pressure_bar) {
    // Stated for this reading, so not the sensor's.
    budget.push_back({"pressure reading", *reading.u_pressure_bar, Shared::kFrames});
  } else {
    const PressureWorth worth = PressureOf(rig, reading.pressure_bar);
    drop_bar = worth.bar;
    budget.push_back({worth.source, worth.u_bar, Shared::kMeter, worth.dof});
    sensor_source = worth.source;
    if (worth.u_zero_bar > 0.0)
      budget.push_back(
          {worth.zero_source, worth.u_zero_bar, rig.zero_from_rest ? Shared::kClip : Shared::kDay});
    drop.in_range = worth.in_range;
  }
  if (ReadsAbsolute(rig)) {
    const calib::Stated ambient = AmbientOf(rig);
    drop_bar -= ambient.value;
    budget.push_back({ambient.u_assumed ? fmt::format("ambient pressure (assumed {:g} bar)", ambient.u)
                                        : std::string("ambient pressure"),
                      ambient.u, Shared::kDay});
  }
  if (const auto& height = rig.stand.tap_above_exit_mm) {
    const double bar_per_mm = density.value * kGravityMS2 * 1e-3 / kPaPerBar;
    drop_bar += bar_per_mm * height->value;
    budget.push_back({height->u_assumed ? fmt::format("height of the tap (assumed {:g} mm)", height->u)
                                        : std::string("height of the tap"),
                      bar_per_mm * height->u, Shared::kRig});
  }
  if (rig.stand.tap == PressureTap::kElement) {
    drop.bar = Combine(drop_bar, budget);
    return drop;
  }
  if (!rig.line_loss || !flow) {
    drop.loss_unknown = true;
    budget.push_back({fmt::format("line loss (assumed up to {:g} %)", 100.0 * kUnknownLossShare),
                      kUnknownLossShare / std::sqrt(3.0) * std::abs(drop_bar), Shared::kRig});
    drop.bar = Combine(drop_bar, budget);
    return drop;
  }
  const LineLossFile& line = *rig.line_loss;
  const double loss_bar =
      calib::LineLossPa(line.k_per_m4, density.value, flow->kg_s / density.value) / kPaPerBar;
  drop_bar -= loss_bar;
  // What k owes to the meter and the sensor of this very test comes in with theirs, signs and all.
  double own_share = line.u_k_per_m4 / line.k_per_m4;
  const auto without = [&](double share) {
    own_share = std::sqrt(std::max(0.0, own_share * own_share - share * share));
  };
  if (!flow->meter_source.empty() && !line.meter.empty() && line.meter == MeterIdentity(rig)) {
    drop.k_share_by_meter = line.k_share_by_meter;
    without(line.k_share_by_meter);
  }
  if (!sensor_source.empty() && !line.sensor.empty() && line.sensor == SensorIdentity(rig)) {
    for (Contribution& part : budget) {
      if (part.source == sensor_source) part.u = std::abs(part.u - loss_bar * line.k_share_by_sensor);
    }
    without(line.k_share_by_sensor);
  }
  budget.push_back({"line loss", loss_bar * own_share, Shared::kRig, line.dof});
  drop.loss_over_drop = loss_bar / drop_bar;
  std::vector<Contribution> whole = budget;
  for (Contribution part : flow->shares) {
    const bool meter = part.source == flow->meter_source;
    part.u = std::abs(2.0 * part.u + (meter ? drop.k_share_by_meter : 0.0)) * loss_bar;
    whole.push_back(std::move(part));
  }
  for (Contribution part : density.budget) {
    part.u *= loss_bar / density.value;
    whole.push_back(std::move(part));
  }
  drop.bar = Combine(drop_bar, std::move(whole));
  return drop;
}

// Every source's share of the flow area, in one order for all points: the flow law adds them up source by
// source. A flow read too high raises the area itself, and once more through the loss taken from the drop.
std::vector<AreaShare> SharesOf(const Flow& flow, const Drop& drop, const calib::Quantity& density) {
  std::vector<AreaShare> shares;
  const double by_loss = 1.0 + drop.loss_over_drop;
  const auto add = [&](Contribution part, double factor) {
    part.u *= factor;
    if (!(part.u > 0.0)) return;
    const bool independent = part.shared == Shared::kFrames;
    shares.push_back({std::move(part), independent});
  };
  for (Contribution part : flow.shares) {
    if (part.source == flow.meter_source && drop.k_share_by_meter != 0.0) {
      part.u = std::abs(part.u + 0.5 * drop.loss_over_drop * (2.0 * part.u + drop.k_share_by_meter));
      add(part, 1.0);
    } else {
      add(part, by_loss);
    }
  }
  for (const Contribution& part : drop.apart) add(part, 0.5 / drop.bar.value);
  // Mass flow: area ~ density^-1/2; volume flow: mass is density times volume, so area ~ density^+1/2.
  for (const Contribution& part : density.budget) add(part, 0.5 * by_loss / density.value);
  std::stable_sort(shares.begin(), shares.end(),
                   [](const AreaShare& a, const AreaShare& b) { return a.part.source < b.part.source; });
  return shares;
}

void AddFlag(Discharge& result, const char* code, calib::Severity severity, std::optional<int> point,
             const char* quantity, std::string message, const char* advice) {
  result.flags.push_back({code, severity, point,
                          quantity == nullptr ? std::nullopt : std::optional<std::string>(quantity),
                          std::move(message), advice});
}

void FlagLineLoss(const Rig& rig, const std::vector<int>& unknown, std::size_t points, Discharge& result) {
  if (unknown.empty()) return;
  const char* const quantity = "pressure_bar";
  if (!rig.line_loss || unknown.size() == points) {
    AddFlag(
        result, "line_loss_unknown", calib::Severity::kWarn, std::nullopt, quantity,
        fmt::format(
            "the pressure is tapped ahead of the element and the loss in between is not known{}: it is "
            "not taken out, so that Cd reads low; up to {:g} % of the drop is in u",
            rig.line_loss ? ", as there is no flow" : "", 100.0 * kUnknownLossShare),
        "flow the line with the element removed and run conebook calibrate line, or tap the pressure at the "
        "element");
    return;
  }
  for (const int point : unknown) {
    AddFlag(result, "line_loss_unknown", calib::Severity::kWarn, point, quantity,
            "there is no flow here to work out the line's loss from: it is not taken out", "log the flow");
  }
}

void FlagRanges(const PointReading& reading, const std::optional<Flow>& flow, const Drop& drop, int point,
                Discharge& result) {
  if (!drop.in_range) {
    AddFlag(result, "pressure_out_of_range", calib::Severity::kWarn, point, "pressure_bar",
            fmt::format(
                "{:.3f} bar as read lies outside what the sensor was calibrated at; its line is continued",
                reading.pressure_bar),
            "calibrate the sensor over the pressures that are used");
  }
  if (flow && !flow->in_range) {
    AddFlag(
        result, "meter_out_of_range", calib::Severity::kWarn, point, "flow_kg_s",
        fmt::format(
            "a reading of {:.4g} lies outside the rates that the meter was calibrated at; the nearest "
            "calibrated one's factor is taken, with 1 % more in u",
            reading.flow),
        "calibrate the meter over the rates that are used, or take a meter for this range: turbines read low "
        "below theirs");
  }
}

}  // namespace

std::vector<PointReading> ReadingsFromLog(const StandLog& log, const std::vector<SteadyStretch>& stretches,
                                          const FlowSettling& flow) {
  std::vector<PointReading> readings;
  for (std::size_t k = 0; k < stretches.size(); ++k) {
    const SteadyStretch& stretch = stretches[k];
    PointReading reading;
    std::size_t from = stretch.first;
    if (log.flow_kind != FlowKind::kNone) {
      const FlowAverage& average = flow.points[k];
      reading.flow_kind = log.flow_kind;
      reading.flow = average.mean;
      reading.u_flow_statistics = average.u_statistics;
      reading.flow_dof = average.dof;
      reading.flow_extrapolated = average.extrapolated;
      // Pressure and flow from the same rows, so that a drift cancels between them.
      if (!average.extrapolated) {
        if (average.t0_s > stretch.t0_s) reading.flow_from_s = average.t0_s;
        while (from + 2 < stretch.last && log.time_s[from] < average.t0_s - 1e-12) ++from;
      }
    }
    reading.log_t0_s = log.time_s[from];
    reading.log_t1_s = stretch.t1_s;
    double mean = 0.0, temperature = 0.0;
    const double n = static_cast<double>(stretch.last - from + 1);
    for (std::size_t i = from; i <= stretch.last; ++i) {
      mean += log.pressure_bar[i] / n;
      if (!log.temperature_c.empty()) temperature += log.temperature_c[i] / n;
    }
    const MeanNoise noise = NoiseOfMean(log.time_s, log.pressure_bar, from, stretch.last);
    reading.pressure_bar = mean;
    reading.u_pressure_statistics_bar = noise.u;
    reading.pressure_dof = noise.dof;
    if (!log.temperature_c.empty()) reading.temperature_c = temperature;
    readings.push_back(reading);
  }
  return readings;
}

Discharge ComputeDischarge(const Rig& rig, const std::vector<PointReading>& readings) {
  for (const PointReading& reading : readings) CheckPulses(rig, reading.flow_kind);
  Discharge result;
  std::vector<int> loss_unknown;
  const ReferenceArea area = FindReferenceArea(rig);
  std::vector<FlowLawPoint> law_points;
  bool any_flow = false, temperature_logged = false;
  for (std::size_t k = 0; k < readings.size(); ++k) {
    const PointReading& reading = readings[k];
    const int point = static_cast<int>(k);
    temperature_logged = temperature_logged || reading.temperature_c.has_value();
    const double absolute_pa = (GaugeBar(rig, reading.pressure_bar) + kStandardAtmosphereBar) * kPaPerBar;
    const LiquidState liquid = LiquidAt(rig, reading.temperature_c, absolute_pa);
    PointDischarge out;
    out.temperature_c = liquid.temperature_c;
    const bool flows = reading.flow_kind != FlowKind::kNone && reading.flow > 0.0;
    std::optional<Flow> flow;
    if (flows) flow = FlowAt(rig, reading, liquid.density_kg_m3.value);
    const Drop drop = PressureDrop(rig, reading, liquid.density_kg_m3, flow);
    out.pressure_bar = drop.bar;
    if (drop.loss_unknown) loss_unknown.push_back(point);
    FlagRanges(reading, flow, drop, point, result);
    if (flow) out.flow_kg_s = MassFlow(*flow, liquid.density_kg_m3);
    out.numbers =
        FlowNumbersOf(rig, reading.temperature_c, out.pressure_bar, out.flow_kg_s, liquid.density_kg_m3);
    if (!flow) {
      if (reading.flow_kind != FlowKind::kNone) {
        AddFlag(result, "no_flow", calib::Severity::kWarn, point, "flow_kg_s",
                "the meter shows no flow at this pressure", "check the meter, its wiring and its least flow");
      }
      result.points.push_back(std::move(out));
      continue;
    }
    any_flow = true;
    if (!(out.pressure_bar->value > 0.0)) {
      AddFlag(result, "no_pressure_drop", calib::Severity::kWarn, point, "flow_area_mm2",
              fmt::format("the pressure drop comes out as {:.3f} bar: no flow area", out.pressure_bar->value),
              "check gauge or absolute, ambient pressure, and the height of the tap");
      result.points.push_back(std::move(out));
      continue;
    }
    const double root = std::sqrt(2.0 * liquid.density_kg_m3.value * out.pressure_bar->value * kPaPerBar);
    FlowLawPoint law{root, out.flow_kg_s->value, out.pressure_bar->value,
                     SharesOf(*flow, drop, liquid.density_kg_m3)};
    std::vector<Contribution> parts;
    const double area_mm2 = out.flow_kg_s->value / root * 1e6;
    for (const AreaShare& share : law.shares) {
      parts.push_back(share.part);
      parts.back().u *= area_mm2;
    }
    out.flow_area_mm2 = Combine(area_mm2, parts);
    out.cd = CdOf(*out.flow_area_mm2, area.area_mm2, area.kind);
    if (out.cd->cd.value > 1.0) {
      AddFlag(result, "cd_above_one", calib::Severity::kWarn, point, "cd",
              fmt::format("Cd is {:.3f}, more than a frictionless nozzle of {:.4g} mm2 passes",
                          out.cd->cd.value, area.area_mm2.value),
              "check the reference area, the flow meter's factor and the pressure tap");
    }
    law_points.push_back(std::move(law));
    result.points.push_back(std::move(out));
  }
  for (calib::Flag& flag : LiquidFlags(rig, temperature_logged)) result.flags.push_back(std::move(flag));
  if (any_flow) result.flags.insert(result.flags.end(), area.flags.begin(), area.flags.end());
  if (ReadsAbsolute(rig) && !rig.stand.ambient_bar) {
    AddFlag(
        result, "ambient_assumed", calib::Severity::kInfo, std::nullopt, "pressure_bar",
        "the sensor reads absolute pressure and ambient_bar is not stated; 1.01325 bar was taken, u 0.02 bar",
        "state [stand] ambient_bar, read that day");
  }
  FlagLineLoss(rig, loss_unknown, readings.size(), result);
  if (!law_points.empty()) result.law = FitFlowLaw(law_points, area.area_mm2, area.kind, result.flags);
  return result;
}

}  // namespace conebook::src
