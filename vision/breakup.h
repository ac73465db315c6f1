// Breakup length: where the continuous sheet ends, from the texture (finer than waves) and the signal along
// rays from the exit. Three readings with different biases; their disagreement is the honest part of u.
//   rise:  the steepest relative rise of texture, per ray and frame, then the median
//   onset: the time-mean texture at half its way from the sheet's level to its strongest
//   peak:  the strongest fluctuation of the signal in time
// Each is divided by a factor that the accuracy study derives on rendered sprays over varied physics.
#pragma once

#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "vision/record_spool.h"

namespace conebook::vision {

struct BreakupOptions {
  double rise_factor = 1.0;  // what the reading shows / truth
  double onset_factor = 1.0;
  double peak_factor = 1.0;
  double least_step = 1.5;  // texture below the end against that of the sheet
  int most_frames = 400;
};

// Along-axis distance of each ray row from the exit, in the unit wanted (mm or px); the same unit comes back.
struct BreakupReading {
  double length = 0.0;
  double u_statistics = 0.0;
  double u_family = 0.0;  // disagreement of the three
  double effective_frames = 0.0;
  double log_spread = 0.0;                   // of single rises over rays and frames
  std::optional<double> rise, onset, peak;  // after their factors
  std::vector<double> ray_length;           // per ray, for pictures; 0 where not read
  std::vector<double> frame_length;         // per given frame; 0 where not read
};

struct NoBreakup {
  std::optional<double> lower_bound;  // continuous to here
  std::string reason;
};

struct BreakupResult {
  std::optional<BreakupReading> reading;
  NoBreakup none;
};

BreakupResult ReadBreakup(const RecordSpool& spool, std::span<const std::size_t> frames,
                          std::span<const double> distance_of_ray_row, double least_distance,
                          const BreakupOptions& options);

}  // namespace conebook::vision
