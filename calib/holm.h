// Several tests at once: p values adjusted so that the chance of even one false "different" among all of them
// stays below the level, whatever they depend on each other (Holm 1979, Scand. J. Statist. 6:65).
#pragma once

#include <span>
#include <vector>

namespace conebook::calib {

// In the order given; each at most 1. A p outside 0 to 1: std::logic_error.
std::vector<double> HolmAdjusted(std::span<const double> p);

}  // namespace conebook::calib
