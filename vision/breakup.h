// Breakup length: where the continuous sheet ends, from what is seen along rays from the exit.
//
// A ray crosses two walls, each with a front of its own that wanders: what a single frame shows of a ray is
// the nearer of the two. Readings:
//   rise:  the steepest relative rise of fine texture, per ray and frame, then the median. It finds the end
//          roughly and says which frames and rays show one.
//   front: per ray and frame the split of the texture's logarithm into two levels with the least squares, and
//          of all these the upper quartile. Of two independent fronts the nearer lies beyond z with
//          probability (1 - F(z))^2, a quarter at the median of one: so the upper quartile of the nearer is
//          the median of the single front, whatever the scatter. Holes before the rim make it short.
//   half:  where the flicker of fine detail, as power and above what the sheet itself shows, has half of its
//          strongest value: two fronts pass there in turn, so half is the median of one. Ligaments that hang
//          on pull it down, holes up.
//   peak:  the strongest fluctuation of the signal in time. It meets the farther front and the ligaments:
//   long.
// Perspective and tilt show the two walls' ends apart (two_walls.h): what is seen first is then the end of
// the wall seen nearer, and the quartiles are taken for what the two give together. The value is the front's,
// freed of its mean shortness; its disagreement with half enters u. The factors were found on rendered sprays
// over varied physics (both lights, both films, compressed and raw): there the front reads 2.7 % short with a
// scatter of 3.1 % between clips, half 5.8 % short with 5.8 %.
#pragma once

#include <cstdint>
#include <functional>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "vision/record_spool.h"
#include "vision/two_walls.h"

namespace conebook::vision {

struct BreakupOptions {
  double front_factor = 1.028;
  double half_factor = 1.062;
  double far_of_rise = 1.6;                  // the split into two levels looks no farther down
  double apart_from = 1.25, apart_to = 1.5;  // the two walls' ends as seen, far over near: see FarOfRise
  double quiet_to = 0.8;                     // of the rise: so far the texture is the sheet's own
  double least_floor = 0.03;                 // of the mean texture
  double most_spread = 0.3;                  // beyond it the single rises do not agree on an end
  double most_peak_over_rise = 2.2;          // beyond it the two readings have not met the same end
  double far_of_half = 2.2;                  // rises are looked for no farther down
  double most_rise_over_half = 1.6;  // or the other way round: beyond, rays and flicker have not met one end
  double least_rise = 0.4;           // of a ray's texture, relative, to count as an end
  double least_step = 1.5;           // flickering detail below the end against that of the sheet
  double least_flicker = 1.6;        // fluctuation in time below the end against that of the sheet
  // Drops from the exit on flicker everywhere, so no rise tells where a sheet ended: a sheet is claimed only
  // where the calmest rows flicker by less than this part of the rim's own signal (or than the least).
  double rim_level = 0.0;  // signal of the rim; 0: not known, no claim is checked
  double most_flicker_of_rim = 0.12, least_flicker_of_drops = 0.02;
  int blocks = 8;  // of frames, for the scatter
  int least_block = 5;
  int most_frames = 400;  // used, evenly
  // How both walls are seen at a distance from the exit; each further one gives a length of its own, for u.
  std::vector<std::function<WallsSeen(double distance)>> walls;
};

// Along-axis distance of each ray row from the exit, in the unit wanted (mm or px); the same unit comes back.
struct BreakupReading {
  double length = 0.0;
  double u_statistics = 0.0;
  double u_family = 0.0;  // disagreement of front and half
  double effective_frames = 0.0;
  double rise = 0.0, front = 0.0, half = 0.0, peak = 0.0;
  double spread = 0.0;               // of the single rises, in ln(length)
  std::vector<double> otherwise;     // length with each of the further walls of the options
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
