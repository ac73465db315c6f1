// A difference with its standard uncertainty and degrees of freedom: is it different from nought, is it
// within a margin, what could the study have found. "Not different" and "equivalent" are separate statements.
// Two one-sided tests (Schuirmann 1987, J. Pharmacokinet. Biopharm. 15:657): within +-margin at the 5 % level
// where the 90 % interval lies inside. Power by the noncentral t distribution.
#pragma once

#include <optional>

#include "calib/quantity.h"

namespace conebook::calib {

struct Difference {
  double value = 0.0;
  double u = 0.0;    // above zero
  double dof = 1.0;  // need not be whole
};

Interval IntervalOf(const Difference& difference, double coverage);  // 0.95: two-sided
double TwoSidedP(const Difference& difference);                      // that there is none

// Degrees of freedom of a sum whose one part was estimated with few, u_few, and whose other is known: those
// with which its 95 % interval is the root of the sum of squares of the parts' own. Those of Welch and
// Satterthwaite come out far too many where two elements agree by chance. Each part's interval holds alone;
// together, at 1 to 8 degrees of freedom and any ratio of the parts, 94 % or more (the test draws them).
double DofOfSum(double u_few, double dof_few, double u_known);

enum class Equivalence { kYes, kNo, kNotYet };
const char* NameOf(Equivalence equivalence);  // "yes", "no", "not yet"

struct EquivalenceTest {
  Equivalence verdict = Equivalence::kNotYet;  // kNo: larger than the margin, at the 5 % level
  double p = 1.0;                              // the larger of the two one-sided
  Interval interval90;
};

// margin > 0, in the unit of the difference.
EquivalenceTest TestEquivalence(const Difference& difference, double margin);

// The chance to find a true difference (two-sided, 5 % level).
double PowerToFind(double true_difference, double u, double dof);
// The smallest true difference that is found in four of five such studies.
double Findable(double u, double dof);

// What part of u shrinks with the number of elements, and what does not.
struct StudySize {
  double u_elements = 0.0;  // falls with the root of the number of elements
  double u_fixed = 0.0;     // shared errors that do not cancel
  int elements = 0;         // of both groups together
};

// Elements more, in both groups together, until the margin is met in four of five studies if the difference
// stays what it is; nothing where no number would do.
std::optional<int> ElementsMore(const Difference& difference, double margin, const StudySize& size);

}  // namespace conebook::calib
