#include "src/stand_sensors.h"

#include <cmath>
#include <stdexcept>
#include <string_view>

#include <fmt/core.h>

#include <calib/error.h>

namespace conebook::src {
namespace {

constexpr double kStandardAtmosphereBar = 1.01325;
constexpr double kAmbientAssumedUBar = 0.02;

bool IsOf(const MeterFile& meter, FlowKind kind) {
  switch (meter.curve.kind) {
    case calib::MeterKind::kPulses:
      return kind == FlowKind::kPulseHz;
    case calib::MeterKind::kVolume:
      return kind == FlowKind::kVolumeLS;
    case calib::MeterKind::kMass:
      return kind == FlowKind::kMassKgS;
  }
  return false;
}

}  // namespace

bool ReadsAbsolute(const Rig& rig) {
  if (rig.log.pressure_kind) return *rig.log.pressure_kind == "absolute";
  return rig.stand.ambient_bar && rig.stand.ambient_bar->value != 0.0;
}

calib::Stated AmbientOf(const Rig& rig) {
  if (rig.stand.ambient_bar) return *rig.stand.ambient_bar;
  return {kStandardAtmosphereBar, kAmbientAssumedUBar, true, true};
}

double AmbientBar(const Rig& rig) {
  return ReadsAbsolute(rig) ? AmbientOf(rig).value : 0.0;
}

PressureWorth PressureOf(const Rig& rig, double read_bar) {
  PressureWorth worth;
  const double stated_share = rig.pressure_u_percent.value_or(0.0) / 100.0;
  double zero_bar = 0.0;
  if (rig.pressure_zero_bar) {
    const calib::Stated& zero = *rig.pressure_zero_bar;
    zero_bar = zero.value;
    worth.u_zero_bar = zero.u;
    worth.zero_source = rig.zero_from_rest ? "zero of the pressure sensor, at rest"
                        : zero.u_assumed
                            ? fmt::format("zero of the pressure sensor (assumed {:g} bar)", zero.u)
                            : "zero of the pressure sensor";
  }
  if (rig.pressure_calibration && rig.pressure_zero_bar) {
    // The day's own zero takes the place of the calibration's; its span stands.
    const calib::PressureSensor& sensor = rig.pressure_calibration->sensor;
    worth.bar = (read_bar - zero_bar) / sensor.span;
    worth.u_zero_bar /= sensor.span;
    const double beyond = Corrected(sensor, read_bar).in_range ? 0.0 : 0.005 * std::abs(worth.bar);
    worth.u_bar =
        std::hypot(std::hypot(worth.bar * sensor.u_span, sensor.u_reading_bar) / sensor.span,
                   std::hypot(sensor.u_reference_share, stated_share) * std::abs(worth.bar), beyond);
    worth.dof = sensor.dof;
    worth.source = "pressure calibration";
    worth.in_range = beyond == 0.0;
    return worth;
  }
  if (rig.pressure_calibration) {
    const calib::CorrectedPressure corrected = Corrected(rig.pressure_calibration->sensor, read_bar);
    worth.bar = corrected.bar;
    worth.u_bar = std::hypot(corrected.u_bar, stated_share * std::abs(corrected.bar));
    worth.dof = corrected.dof;
    worth.source = "pressure calibration";
    worth.in_range = corrected.in_range;
    return worth;
  }
  worth.bar = read_bar - zero_bar;
  worth.u_bar = (rig.pressure_u_percent ? stated_share : 0.005) * std::abs(worth.bar);
  worth.source = rig.pressure_u_percent ? "pressure sensor" : "pressure sensor (assumed 0.5 %)";
  return worth;
}

double GaugeBar(const Rig& rig, double read_bar) {
  return PressureOf(rig, read_bar).bar - AmbientBar(rig);
}

FlowWorth FlowOf(const Rig& rig, FlowKind kind, double reading) {
  FlowWorth worth;
  const double stated_share = rig.meter_u_percent.value_or(0.0) / 100.0;
  if (rig.meter && IsOf(*rig.meter, kind)) {
    const calib::MeterValue at = ValueAt(rig.meter->curve, reading);
    worth.flow = TrueFlow(rig.meter->curve, reading);
    worth.u_share = std::hypot(at.u_share, stated_share);
    worth.dof = at.dof;
    worth.source = "meter calibration";
    worth.in_range = at.in_range;
    return worth;
  }
  const bool pulses = kind == FlowKind::kPulseHz;
  if (pulses && !rig.k_factor_per_l) throw std::logic_error("FlowOf: pulses without K");
  worth.flow = pulses ? reading / rig.k_factor_per_l->value : reading;
  if (pulses && !rig.k_factor_per_l->u_assumed) {
    worth.source = "K-factor";
    worth.u_share = std::hypot(rig.k_factor_per_l->u / rig.k_factor_per_l->value, stated_share);
  } else if (rig.meter_u_percent) {
    worth.source = "flow meter";
    worth.u_share = stated_share;
  } else {
    worth.source = pulses ? "K-factor (assumed 1 %)" : "flow meter (assumed 1 %)";
    worth.u_share = 0.01;
  }
  return worth;
}

std::string MeterIdentity(const Rig& rig) {
  for (const CalibrationFile& file : rig.calibrations) {
    if (std::string_view(file.key.kept_as) == kMeterKey.kept_as) return file.sha256;
  }
  return rig.k_factor_per_l ? fmt::format("k_factor_per_l {}", rig.k_factor_per_l->value) : "";
}

std::string SensorIdentity(const Rig& rig) {
  for (const CalibrationFile& file : rig.calibrations) {
    if (std::string_view(file.key.kept_as) == kPressureKey.kept_as) return file.sha256;
  }
  return "";
}

void CheckPulses(const Rig& rig, FlowKind kind) {
  if (kind != FlowKind::kPulseHz || rig.k_factor_per_l || (rig.meter && IsOf(*rig.meter, kind))) return;
  throw calib::InputError(rig.path +
                          ": the log's flow is in pulses, which needs [meter] k_factor_per_l (pulses per "
                          "litre) or a calibration in the rig");
}

void CheckLogFlow(const Rig& rig, FlowKind kind) {
  CheckPulses(rig, kind);
  if (kind == FlowKind::kNone || !rig.meter || IsOf(*rig.meter, kind)) return;
  const char* const found = kind == FlowKind::kPulseHz    ? "pulses"
                            : kind == FlowKind::kVolumeLS ? "volume"
                                                          : "mass";
  throw calib::InputError(
      fmt::format("{}: [meter] calibration: the file is for rates in {}, the log's flow is in {}; calibrate "
                  "the meter with the reading that is logged",
                  rig.path, RateUnitOf(rig.meter->curve.kind), found));
}

}  // namespace conebook::src
