// A measured value with its standard uncertainty u (GUM, k = 1), in the unit that the holder's name says.
// Formulas: JCGM 100:2008 eq. 10 (combination), eq. G.2b (Welch-Satterthwaite), table G.2 (coverage).
#pragma once

#include <limits>
#include <optional>
#include <string>
#include <vector>

namespace conebook::calib {

// With what else an error is shared: two results that share one cannot be compared more closely than it
// allows unless it cancels.
enum class Shared { kFrames, kClip, kRig, kMeter, kDay, kModel };

struct Contribution {
  std::string source;  // in words: "tilt (assumed 2 deg)"
  double u = 0.0;      // standard uncertainty in the unit of the quantity
  Shared shared = Shared::kClip;
  double dof = std::numeric_limits<double>::infinity();
};

struct Quantity {
  double value = 0.0;
  double u = 0.0;
  double dof = std::numeric_limits<double>::infinity();
  std::vector<Contribution> budget;  // largest first; empty: not broken down
};

struct Interval {
  double lo = 0.0;
  double hi = 0.0;
};

// u is the root of the sum of squares, dof by Welch-Satterthwaite; the budget is sorted, largest first,
// contributions of exactly zero dropped. Throws std::logic_error on a negative or non-finite u or value.
Quantity Combine(double value, std::vector<Contribution> budget);

// Two-sided 95 % coverage factor of Student's t; dof is truncated to an integer as the GUM asks (at least 1).
double CoverageFactor95(double dof);

Interval Interval95(const Quantity& quantity);

const char* NameOf(Shared shared);

}  // namespace conebook::calib
