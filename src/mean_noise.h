// How well the mean of a stretch of log is known as the mean of just that stretch. What the stand itself
// does, a regulator that droops or wanders, is part of that mean and no error of it; noise of the sensor is.
// They are told apart by time: what changes within a twentieth of a second counts as noise; rows count
// as draws of it as far as they are independent. Slower errors of a sensor are its calibration's.
#pragma once

#include <limits>
#include <vector>

namespace conebook::src {

struct MeanNoise {
  double u = 0.0;  // of the mean
  double dof = std::numeric_limits<double>::infinity();
};

// Rows first to last, both inside.
MeanNoise NoiseOfMean(const std::vector<double>& time_s, const std::vector<double>& values, std::size_t first,
                      std::size_t last);

}  // namespace conebook::src
