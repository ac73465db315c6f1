#include "calib/quantity.h"

#include <algorithm>
#include <cmath>
#include <stdexcept>

#include <boost/math/distributions/students_t.hpp>

namespace conebook::calib {

Quantity Combine(double value, std::vector<Contribution> budget) {
  if (!std::isfinite(value)) throw std::logic_error("Combine: value is not finite");
  double variance = 0.0;
  double fourth = 0.0;
  for (const Contribution& c : budget) {
    if (!(c.u >= 0.0) || !std::isfinite(c.u)) throw std::logic_error("Combine: bad u of " + c.source);
    variance += c.u * c.u;
    if (std::isfinite(c.dof)) fourth += c.u * c.u * c.u * c.u / std::max(c.dof, 1e-9);
  }
  std::erase_if(budget, [](const Contribution& c) { return c.u == 0.0; });
  std::stable_sort(budget.begin(), budget.end(),
                   [](const Contribution& a, const Contribution& b) { return a.u > b.u; });
  Quantity result;
  result.value = value;
  result.u = std::sqrt(variance);
  if (fourth > 0.0) result.dof = variance * variance / fourth;
  result.budget = std::move(budget);
  return result;
}

double CoverageFactor95(double dof) {
  constexpr double kNormal = 1.959963984540054;
  if (!(dof < 1e6)) return kNormal;
  const double nu = std::max(1.0, std::floor(dof + 1e-9));
  return boost::math::quantile(
      boost::math::complement(boost::math::students_t_distribution<double>(nu), 0.025));
}

Interval Interval95(const Quantity& quantity) {
  const double half = CoverageFactor95(quantity.dof) * quantity.u;
  return {quantity.value - half, quantity.value + half};
}

const char* NameOf(Shared shared) {
  switch (shared) {
    case Shared::kFrames:
      return "frames";
    case Shared::kClip:
      return "clip";
    case Shared::kRig:
      return "rig";
    case Shared::kMeter:
      return "meter";
    case Shared::kDay:
      return "day";
    case Shared::kModel:
      return "model";
  }
  return "model";
}

}  // namespace conebook::calib
