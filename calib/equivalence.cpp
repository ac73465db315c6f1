#include "calib/equivalence.h"

#include <algorithm>
#include <cmath>
#include <stdexcept>

#include <boost/math/distributions/non_central_t.hpp>
#include <boost/math/distributions/students_t.hpp>

namespace conebook::calib {
namespace {

using boost::math::complement;
using boost::math::students_t;

constexpr double kLevel = 0.05, kPower = 0.8;
constexpr double kManyDof = 1e6;  // the normal distribution, as near as makes no difference
constexpr int kMostElements = 100'000;

students_t TOf(double dof) {
  if (!(dof > 0.0)) throw std::logic_error("equivalence: degrees of freedom must be above zero");
  return students_t(std::min(dof, kManyDof));
}

double UpperTail(double t, double dof) {
  return boost::math::cdf(complement(TOf(dof), t));
}

void MustHaveU(double u) {
  if (!(u > 0.0)) throw std::logic_error("equivalence: u must be above zero");
}

}  // namespace

Interval IntervalOf(const Difference& difference, double coverage) {
  MustHaveU(difference.u);
  const double half =
      boost::math::quantile(complement(TOf(difference.dof), 0.5 * (1.0 - coverage))) * difference.u;
  return {difference.value - half, difference.value + half};
}

double TwoSidedP(const Difference& difference) {
  MustHaveU(difference.u);
  return std::min(1.0, 2.0 * UpperTail(std::abs(difference.value) / difference.u, difference.dof));
}

double DofOfSum(double u_few, double dof_few, double u_known) {
  const double u = std::hypot(u_few, u_known);
  MustHaveU(u);
  const auto coverage = [](double dof) { return boost::math::quantile(complement(TOf(dof), 0.5 * kLevel)); };
  const double wanted = std::hypot(coverage(dof_few) * u_few, coverage(kManyDof) * u_known) / u;
  double fewer = dof_few, more = kManyDof;
  if (coverage(more) >= wanted) return more;
  constexpr int kHalvings = 60;
  for (int i = 0; i < kHalvings; ++i) {
    const double middle = std::sqrt(fewer * more);
    (coverage(middle) > wanted ? fewer : more) = middle;
  }
  return fewer;
}

const char* NameOf(Equivalence equivalence) {
  switch (equivalence) {
    case Equivalence::kYes:
      return "yes";
    case Equivalence::kNo:
      return "no";
    case Equivalence::kNotYet:
      return "not yet";
  }
  return "not yet";
}

EquivalenceTest TestEquivalence(const Difference& difference, double margin) {
  MustHaveU(difference.u);
  if (!(margin > 0.0)) throw std::logic_error("equivalence: the margin must be above zero");
  EquivalenceTest test;
  test.interval90 = IntervalOf(difference, 1.0 - 2.0 * kLevel);
  test.p = std::max(UpperTail((difference.value + margin) / difference.u, difference.dof),
                    UpperTail((margin - difference.value) / difference.u, difference.dof));
  const double beyond = (std::abs(difference.value) - margin) / difference.u;
  if (test.p < kLevel)
    test.verdict = Equivalence::kYes;
  else if (UpperTail(beyond, difference.dof) < kLevel)
    test.verdict = Equivalence::kNo;
  return test;
}

double PowerToFind(double true_difference, double u, double dof) {
  MustHaveU(u);
  const double capped =
      std::min(dof, 1e4);  // beyond, the noncentral distribution is slow and does not change
  const double limit = boost::math::quantile(complement(TOf(capped), 0.5 * kLevel));
  const double shift = std::abs(true_difference) / u;
  if (shift == 0.0) return kLevel;
  const boost::math::non_central_t t(capped, shift);
  return boost::math::cdf(complement(t, limit)) + boost::math::cdf(t, -limit);
}

double Findable(double u, double dof) {
  double lo = 0.0, hi = u;
  while (PowerToFind(hi, u, dof) < kPower && hi < 1e4 * u) hi *= 2.0;
  for (int i = 0; i < 60; ++i) {
    const double middle = 0.5 * (lo + hi);
    (PowerToFind(middle, u, dof) < kPower ? lo : hi) = middle;
  }
  return hi;
}

std::optional<int> ElementsMore(const Difference& difference, double margin, const StudySize& size) {
  const double room = margin - std::abs(difference.value);
  if (!(room > 0.0) || size.elements < 1) return std::nullopt;
  // The interval must fit, and go on fitting when the next study's difference scatters; both sides matter
  // where the difference is small.
  const double other = difference.value == 0.0 ? 0.5 * (1.0 - kPower) : 1.0 - kPower;
  const auto fits = [&](int more) {
    const double now = size.elements, then = now + more;
    const double u = std::hypot(size.u_elements * std::sqrt(now / then), size.u_fixed);
    const double dof = difference.dof + more;
    const double needed = boost::math::quantile(complement(TOf(dof), kLevel)) +
                          boost::math::quantile(complement(TOf(dof), other));
    return needed * u <= room;
  };
  if (!fits(kMostElements)) return std::nullopt;
  int lo = 0, hi = kMostElements;
  while (hi - lo > 1) {
    const int middle = (lo + hi) / 2;
    (fits(middle) ? hi : lo) = middle;
  }
  return hi + hi % 2;
}

}  // namespace conebook::calib
