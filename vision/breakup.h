// Breakup length: where the continuous sheet ends, from what is seen along rays from the exit.
//
// A ray crosses two walls, each with a front of its own that wanders; three readings bracket the median
// front:
//   rise: the steepest relative rise of fine texture, per ray and frame, then the median. It meets the nearer
//   front
//         of the two walls, and first holes: short by about the scatter of the fronts.
//   peak: the strongest fluctuation of the signal in time. It meets the farther front and the ligaments: long
//   by
//         about as much.
//   spread: the scatter of the single rises, in ln(length).
// Two estimates follow, with opposite weaknesses, and their mean is the value: sqrt(rise * peak), and
// rise * exp(spread_weight * spread). Their disagreement is the honest part of u.
// spread_weight is about 0.66 for the nearer of two independent fronts alone (order statistics of a normal
// sample: the median of the smaller of two lies 0.545 sd low, their spread is 0.826 sd); holes before the rim
// raise it. 1.15 was found on rendered sprays over varied physics (both lights, both films, compressed and
// raw).
#pragma once

#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "vision/record_spool.h"

namespace conebook::vision {

struct BreakupOptions {
  double spread_weight = 1.15;
  double most_spread = 0.3;          // beyond it the single rises do not agree on an end
  double most_peak_over_rise = 2.2;  // beyond it the two readings have not met the same end
  double least_rise = 0.4;           // of a ray's texture, relative, to count as an end
  double least_step = 1.5;           // flickering detail below the end against that of the sheet
  double least_flicker = 1.6;        // fluctuation in time below the end against that of the sheet
  int most_frames = 400;             // used, evenly
};

// Along-axis distance of each ray row from the exit, in the unit wanted (mm or px); the same unit comes back.
struct BreakupReading {
  double length = 0.0;
  double u_statistics = 0.0;
  double u_family = 0.0;  // disagreement of the two estimates
  double effective_frames = 0.0;
  double rise = 0.0, peak = 0.0, spread = 0.0;
  std::vector<double> ray_length;    // per ray, for pictures; 0 where not read
  std::vector<double> frame_length;  // per given frame; 0 where not read
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
