#include "calib/conformity.h"

#include <algorithm>
#include <cmath>
#include <stdexcept>

#include <boost/math/distributions/normal.hpp>
#include <boost/math/distributions/students_t.hpp>
#include <fmt/core.h>

namespace conebook::calib {
namespace {

constexpr double kManyDof = 1e6;  // beyond, Student's t is the normal distribution

double BelowOf(double in_u, double dof) {
  if (!(dof < kManyDof)) return boost::math::cdf(boost::math::normal(), in_u);
  return boost::math::cdf(boost::math::students_t(std::max(1.0, dof)), in_u);
}

// Student's t with the tail that guard_u leaves of a normal distribution.
double GuardFactor(double guard_u, double dof) {
  if (!(dof < kManyDof) || guard_u == 0.0) return guard_u;
  const double tail = boost::math::cdf(boost::math::complement(boost::math::normal(), guard_u));
  return boost::math::quantile(boost::math::complement(boost::math::students_t(std::max(1.0, dof)), tail));
}

}  // namespace

const char* NameOf(Conformity conformity) {
  switch (conformity) {
    case Conformity::kAccept:
      return "accept";
    case Conformity::kUndecided:
      return "undecided";
    case Conformity::kReject:
      return "reject";
  }
  return "undecided";
}

ConformityResult Assess(const Quantity& reading, const Tolerance& tolerance, double guard_u) {
  if (!tolerance.lower && !tolerance.upper) throw std::logic_error("Assess: no limit");
  if (tolerance.lower && tolerance.upper && !(*tolerance.lower < *tolerance.upper))
    throw std::logic_error("Assess: the lower limit is not below the upper");
  if (!(reading.u >= 0.0) || !(guard_u >= 0.0)) throw std::logic_error("Assess: negative u");
  // How far inside the nearest limit; negative: outside.
  double inside = std::numeric_limits<double>::infinity();
  double above = 1.0, below = 0.0;  // of the true value: share below the upper, below the lower limit
  if (tolerance.upper) inside = std::min(inside, *tolerance.upper - reading.value);
  if (tolerance.lower) inside = std::min(inside, reading.value - *tolerance.lower);
  ConformityResult result;
  if (reading.u > 0.0) {
    if (tolerance.upper) above = BelowOf((*tolerance.upper - reading.value) / reading.u, reading.dof);
    if (tolerance.lower) below = BelowOf((*tolerance.lower - reading.value) / reading.u, reading.dof);
    result.probability = std::clamp(above - below, 0.0, 1.0);
  } else {
    result.probability = inside >= 0.0 ? 1.0 : 0.0;
  }
  const double factor = GuardFactor(guard_u, reading.dof);
  result.guard_band = factor * reading.u;
  // Limits as written on a drawing are no binary numbers: the edge itself still counts.
  const double edge = result.guard_band - 1e-9 * std::abs(reading.value);
  if (inside >= edge)
    result.decision = Conformity::kAccept;
  else if (inside <= -edge)
    result.decision = Conformity::kReject;
  result.u_to_accept = inside > 0.0 && factor > 0.0 ? inside / factor : 0.0;
  result.limits_too_close =
      tolerance.lower && tolerance.upper && *tolerance.upper - *tolerance.lower < 2.0 * result.guard_band;
  return result;
}

std::string InWords(const Tolerance& tolerance) {
  if (tolerance.lower && tolerance.upper)
    return fmt::format("{:.6g} to {:.6g}", *tolerance.lower, *tolerance.upper);
  if (tolerance.lower) return fmt::format("{:.6g} or more", *tolerance.lower);
  if (tolerance.upper) return fmt::format("{:.6g} or less", *tolerance.upper);
  return "any";
}

}  // namespace conebook::calib
