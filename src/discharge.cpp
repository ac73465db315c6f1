#include "src/discharge.h"

#include <algorithm>
#include <cmath>

#include <fmt/core.h>

#include <calib/error.h>
#include <vision/statistics.h>

#include "src/flow_law.h"
#include "src/liquid_state.h"
#include "src/reference_area.h"

namespace conebook::src {
namespace {

using calib::Combine;
using calib::Contribution;
using calib::Shared;

constexpr double kStandardAtmosphereBar = 1.01325;
constexpr double kAmbientAssumedUBar = 0.02;
constexpr double kGravityMS2 = 9.80665;
constexpr double kPaPerBar = 1e5;

struct SensorShare {
  std::string source;
  double share = 0.0;
};

SensorShare PressureSensorOf(const Rig& rig) {
  if (rig.pressure_u_percent) return {"pressure sensor", *rig.pressure_u_percent / 100.0};
  return {"pressure sensor (assumed 0.5 %)", 0.005};
}

SensorShare MeterOf(const Rig& rig, FlowKind kind) {
  if (kind == FlowKind::kPulseHz && rig.k_factor_per_l && !rig.k_factor_per_l->u_assumed) {
    const double k_share = rig.k_factor_per_l->u / rig.k_factor_per_l->value;
    return {"K-factor", std::hypot(k_share, rig.meter_u_percent.value_or(0.0) / 100.0)};
  }
  if (rig.meter_u_percent) return {"flow meter", *rig.meter_u_percent / 100.0};
  return {kind == FlowKind::kPulseHz ? "K-factor (assumed 1 %)" : "flow meter (assumed 1 %)", 0.01};
}

calib::Stated AmbientOf(const Rig& rig) {
  if (rig.stand.ambient_bar) return *rig.stand.ambient_bar;
  return {kStandardAtmosphereBar, kAmbientAssumedUBar, true, true};
}

calib::Quantity PressureDrop(const Rig& rig, const PointReading& reading, double density_kg_m3) {
  std::vector<Contribution> budget;
  double drop_bar = reading.pressure_bar - AmbientBar(rig);
  budget.push_back(
      {"scatter of the pressure", reading.u_pressure_statistics_bar, Shared::kFrames, reading.pressure_dof});
  const SensorShare sensor = PressureSensorOf(rig);
  if (reading.u_pressure_bar) {
    budget.push_back({"pressure reading", *reading.u_pressure_bar, Shared::kFrames});
  } else {
    budget.push_back({sensor.source, sensor.share * std::abs(reading.pressure_bar), Shared::kMeter});
  }
  if (ReadsAbsolute(rig)) {
    const calib::Stated ambient = AmbientOf(rig);
    budget.push_back({ambient.u_assumed ? fmt::format("ambient pressure (assumed {:g} bar)", ambient.u)
                                        : std::string("ambient pressure"),
                      ambient.u, Shared::kDay});
  }
  if (const auto& height = rig.stand.tap_above_exit_mm) {
    const double bar_per_mm = density_kg_m3 * kGravityMS2 * 1e-3 / kPaPerBar;
    drop_bar += bar_per_mm * height->value;
    budget.push_back({height->u_assumed ? fmt::format("height of the tap (assumed {:g} mm)", height->u)
                                        : std::string("height of the tap"),
                      bar_per_mm * height->u, Shared::kRig});
  }
  return Combine(drop_bar, std::move(budget));
}

// Mass flow without its density part, which flow area sees with another sign.
double MassFlowKgS(const Rig& rig, const PointReading& reading, double density_kg_m3) {
  switch (reading.flow_kind) {
    case FlowKind::kMassKgS:
      return reading.flow;
    case FlowKind::kVolumeLS:
      return reading.flow * 1e-3 * density_kg_m3;
    case FlowKind::kPulseHz:
      return reading.flow / rig.k_factor_per_l->value * 1e-3 * density_kg_m3;
    case FlowKind::kNone:
      return 0.0;
  }
  return 0.0;
}

// Every source's share of the flow area, in one order for all points: the flow law adds them up source by
// source.
std::vector<AreaShare> SharesOf(const Rig& rig, const PointReading& reading, const calib::Quantity& drop,
                                const calib::Quantity& density) {
  std::vector<AreaShare> shares;
  const double flow_statistics = reading.u_flow_statistics / reading.flow;
  shares.push_back({{"scatter of the flow", flow_statistics, Shared::kFrames, reading.flow_dof}, true});
  const SensorShare meter = MeterOf(rig, reading.flow_kind);
  if (reading.u_flow_share) {
    shares.push_back({{"flow reading", *reading.u_flow_share, Shared::kFrames}, true});
  } else {
    shares.push_back({{meter.source, meter.share, Shared::kMeter}, false});
  }
  for (Contribution part : drop.budget) {
    part.u *= 0.5 / drop.value;
    const bool independent = part.shared == Shared::kFrames;
    shares.push_back({std::move(part), independent});
  }
  // Mass flow: area ~ density^-1/2; volume flow: mass is density times volume, so area ~ density^+1/2.
  for (Contribution part : density.budget) {
    part.u *= 0.5 / density.value;
    shares.push_back({std::move(part), false});
  }
  std::stable_sort(shares.begin(), shares.end(),
                   [](const AreaShare& a, const AreaShare& b) { return a.part.source < b.part.source; });
  return shares;
}

calib::Quantity MassFlow(const Rig& rig, const PointReading& reading, const calib::Quantity& density) {
  const double flow_kg_s = MassFlowKgS(rig, reading, density.value);
  std::vector<Contribution> budget;
  const double share = reading.u_flow_statistics / reading.flow;
  budget.push_back({"scatter of the flow", share * flow_kg_s, Shared::kFrames, reading.flow_dof});
  const SensorShare meter = MeterOf(rig, reading.flow_kind);
  if (reading.u_flow_share) {
    budget.push_back({"flow reading", *reading.u_flow_share * flow_kg_s, Shared::kFrames});
  } else {
    budget.push_back({meter.source, meter.share * flow_kg_s, Shared::kMeter});
  }
  if (reading.flow_kind != FlowKind::kMassKgS) {
    for (Contribution part : density.budget) {
      part.u *= flow_kg_s / density.value;
      budget.push_back(std::move(part));
    }
  }
  return Combine(flow_kg_s, std::move(budget));
}

void AddFlag(Discharge& result, const char* code, calib::Severity severity, std::optional<int> point,
             const char* quantity, std::string message, const char* advice) {
  result.flags.push_back({code, severity, point,
                          quantity == nullptr ? std::nullopt : std::optional<std::string>(quantity),
                          std::move(message), advice});
}

void CheckInputs(const Rig& rig, const std::vector<PointReading>& readings) {
  for (const PointReading& reading : readings) {
    if (reading.flow_kind == FlowKind::kPulseHz && !rig.k_factor_per_l) {
      throw calib::InputError(rig.path +
                              ": the log's flow is in pulses, which needs [meter] k_factor_per_l (pulses per "
                              "litre) in the rig");
    }
  }
}

}  // namespace

bool ReadsAbsolute(const Rig& rig) {
  if (rig.log.pressure_kind) return *rig.log.pressure_kind == "absolute";
  return rig.stand.ambient_bar && rig.stand.ambient_bar->value != 0.0;
}

double AmbientBar(const Rig& rig) {
  return ReadsAbsolute(rig) ? AmbientOf(rig).value : 0.0;
}

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
      // Pressure and flow from the same rows, so that a drift cancels between them.
      if (!average.extrapolated) {
        while (from + 2 < stretch.last && log.time_s[from] < average.t0_s - 1e-12) ++from;
      }
    }
    std::vector<double> off;
    double mean = 0.0, temperature = 0.0, squares = 0.0;
    const double n = static_cast<double>(stretch.last - from + 1);
    for (std::size_t i = from; i <= stretch.last; ++i) {
      mean += log.pressure_bar[i] / n;
      if (!log.temperature_c.empty()) temperature += log.temperature_c[i] / n;
    }
    for (std::size_t i = from; i <= stretch.last; ++i) {
      off.push_back(log.pressure_bar[i] - mean);
      squares += off.back() * off.back();
    }
    const double independent = std::max(1.0, vision::EffectiveSampleSize(off));
    reading.pressure_bar = mean;
    reading.u_pressure_statistics_bar = std::sqrt(squares / std::max(1.0, n - 1.0) / independent);
    reading.pressure_dof = std::max(1.0, independent - 1.0);
    if (!log.temperature_c.empty()) reading.temperature_c = temperature;
    readings.push_back(reading);
  }
  return readings;
}

Discharge ComputeDischarge(const Rig& rig, const std::vector<PointReading>& readings) {
  CheckInputs(rig, readings);
  Discharge result;
  const ReferenceArea area = FindReferenceArea(rig);
  std::vector<FlowLawPoint> law_points;
  bool any_flow = false, temperature_logged = false;
  for (std::size_t k = 0; k < readings.size(); ++k) {
    const PointReading& reading = readings[k];
    const int point = static_cast<int>(k);
    temperature_logged = temperature_logged || reading.temperature_c.has_value();
    const double absolute_pa = (reading.pressure_bar - AmbientBar(rig) + kStandardAtmosphereBar) * kPaPerBar;
    const LiquidState liquid = LiquidAt(rig, reading.temperature_c, absolute_pa);
    PointDischarge out;
    out.temperature_c = liquid.temperature_c;
    out.pressure_bar = PressureDrop(rig, reading, liquid.density_kg_m3.value);
    if (reading.flow_kind == FlowKind::kNone) {
      result.points.push_back(std::move(out));
      continue;
    }
    if (!(reading.flow > 0.0)) {
      AddFlag(result, "no_flow", calib::Severity::kWarn, point, "flow_kg_s",
              "the meter shows no flow at this pressure", "check the meter, its wiring and its least flow");
      result.points.push_back(std::move(out));
      continue;
    }
    any_flow = true;
    out.flow_kg_s = MassFlow(rig, reading, liquid.density_kg_m3);
    if (!(out.pressure_bar->value > 0.0)) {
      AddFlag(result, "no_pressure_drop", calib::Severity::kWarn, point, "flow_area_mm2",
              fmt::format("the pressure drop comes out as {:.3f} bar: no flow area", out.pressure_bar->value),
              "check gauge or absolute, ambient pressure, and the height of the tap");
      result.points.push_back(std::move(out));
      continue;
    }
    const double root = std::sqrt(2.0 * liquid.density_kg_m3.value * out.pressure_bar->value * kPaPerBar);
    FlowLawPoint law{root, out.flow_kg_s->value, out.pressure_bar->value,
                     SharesOf(rig, reading, *out.pressure_bar, liquid.density_kg_m3)};
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
  if (rig.stand.tap != PressureTap::kElement && !readings.empty()) {
    AddFlag(result, "line_loss_not_corrected", calib::Severity::kWarn, std::nullopt, "pressure_bar",
            "the pressure is tapped ahead of the element; the loss in between is not taken out, so that Cd "
            "reads low",
            "tap the pressure at the element");
  }
  if (!law_points.empty()) result.law = FitFlowLaw(law_points, area.area_mm2, area.kind, result.flags);
  return result;
}

}  // namespace conebook::src
