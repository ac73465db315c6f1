#include "calib/swirl_theory.h"

#include <cmath>
#include <numbers>

namespace conebook::calib {
namespace {

constexpr double kMetrePerMm = 1e-3;
constexpr double kDegPerRad = 180.0 / std::numbers::pi;

// The share at which a function that falls with it has this value.
template <typename Falling>
double ShareWhere(double value, Falling falling) {
  double lo = 1e-12;
  double hi = 1.0 - 1e-12;
  for (int i = 0; i < 100; ++i) {
    const double middle = 0.5 * (lo + hi);
    (falling(middle) > value ? lo : hi) = middle;
  }
  return 0.5 * (lo + hi);
}

double IdealSpeed(const SwirlFlow& flow) {
  return std::sqrt(2.0 * flow.pressure_drop_pa / flow.density_kg_m3);
}

}  // namespace

double AtomizerConstant(const SwirlGeometry& geometry) {
  return geometry.inlet_area_mm2 / (geometry.chamber_diameter_mm * geometry.exit_diameter_mm);
}

double AirCoreShare(double k) {
  return ShareWhere(k, [](double x) {
    return std::numbers::pi / (4.0 * std::numbers::sqrt2) * std::pow(1.0 - x, 1.5) / x;
  });
}

double AirCoreShareOfCd(double cd) {
  return ShareWhere(cd, InviscidCd);
}

double InviscidCd(double air_core_share) {
  return std::sqrt(std::pow(1.0 - air_core_share, 3.0) / (1.0 + air_core_share));
}

double InviscidHalfAngleBySwirlDeg(double air_core_share) {
  const double x = air_core_share;
  return std::asin(2.0 * std::numbers::sqrt2 * x / ((1.0 + std::sqrt(x)) * std::sqrt(1.0 + x))) * kDegPerRad;
}

double InviscidHalfAngleByAxialSpeedDeg(double air_core_share) {
  return std::acos(std::sqrt((1.0 - air_core_share) / (1.0 + air_core_share))) * kDegPerRad;
}

double RizkLefebvreCd(const SwirlGeometry& geometry) {
  return 0.35 * std::sqrt(AtomizerConstant(geometry)) *
         std::pow(geometry.chamber_diameter_mm / geometry.exit_diameter_mm, 0.25);
}

std::optional<double> JonesCd(const SwirlGeometry& geometry, const SwirlFlow& flow) {
  if (!geometry.exit_length_mm || !geometry.chamber_length_mm) return std::nullopt;
  return 0.45 * std::pow(ReynoldsAtExit(geometry.exit_diameter_mm, flow), -0.02) *
         std::pow(*geometry.exit_length_mm / geometry.exit_diameter_mm, -0.03) *
         std::pow(*geometry.chamber_length_mm / geometry.chamber_diameter_mm, 0.05) *
         std::pow(AtomizerConstant(geometry), 0.52) *
         std::pow(geometry.chamber_diameter_mm / geometry.exit_diameter_mm, 0.23);
}

double RizkLefebvreHalfAngleDeg(const SwirlGeometry& geometry, const SwirlFlow& flow) {
  const double d_m = geometry.exit_diameter_mm * kMetrePerMm;
  const double group =
      flow.pressure_drop_pa * d_m * d_m * flow.density_kg_m3 / (flow.viscosity_pa_s * flow.viscosity_pa_s);
  return 0.5 * 6.0 * std::pow(AtomizerConstant(geometry), -0.15) * std::pow(group, 0.11);
}

double ReynoldsAtExit(double exit_diameter_mm, const SwirlFlow& flow) {
  return flow.density_kg_m3 * IdealSpeed(flow) * exit_diameter_mm * kMetrePerMm / flow.viscosity_pa_s;
}

double WeberAtExit(double exit_diameter_mm, const SwirlFlow& flow, double surface_tension_n_m) {
  return 2.0 * flow.pressure_drop_pa * exit_diameter_mm * kMetrePerMm / surface_tension_n_m;
}

}  // namespace conebook::calib
