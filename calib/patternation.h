// Where a spray's mass goes: a table of collectors, weighed. Collectors are sectors about the axis (equal
// angles, the whole turn), rings about it, or both. This is mass; what a picture shows is extinction.
//
//   share           collector's mass flow / sum of all
//   non-uniformity  half the sum over sectors of |share - 1 / n|: the part of the flow that would have to
//   move to make all
//                   sectors alike, 0 to 1 - 1 / n. Noise alone makes it a little above 0: by_noise says how
//                   much. (Sums of |share - 1 / n| are common patternation practice; twice this is Tate's
//                   index, 1960, from memory.)
//   imbalance       first harmonic of the flow about the axis: flow per angle = mean (1 + b cos(angle -
//   direction)).
//                   b exp(i direction) = 2 sum share exp(i angle) / (sin(pi / n) / (pi / n)), exact for such
//                   a flow.
// u: of the weighing and timing, or of the scatter of repeats where that is larger; a collector's repeats are
// averaged. Not in u: what splashes out or drips in, and how well collectors stand about the axis.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include <calib/quantity.h>

namespace conebook::calib {

struct CollectorRow {
  std::optional<int> sector;  // 0 and up, counter-clockwise looking upstream at the exit
  std::optional<int> ring;    // 0 and up, outwards
  double mass_g = 0.0;
  double time_s = 0.0;
  std::optional<double> u_mass_g, u_time_s;
  std::string place;  // for messages: "pattern.csv line 4"
};

struct PatternationOptions {
  double first_sector_deg = 0.0;     // angle of the middle of sector 0, from the element's datum mark
  double u_mass_g = 0.1;             // where a row states none
  double u_time_s = 0.2;             // the same
  std::vector<double> ring_edge_mm;  // radii, one more than rings; empty: no flux
  std::optional<std::string> Problem() const;
};

struct CollectorFlow {
  int index = 0;
  Quantity flow_g_s;
  Quantity share;
  double angle_deg = 0.0;                // sectors: of the middle
  std::optional<Quantity> flux_g_s_mm2;  // rings with edges: flow over area
};

struct Imbalance {
  Quantity relative;  // b, 0: none. Noise alone makes it u or so: believe it from 2 u on
  Quantity x, y;      // b cos, b sin of the direction
  // Where most flow goes, from the datum mark; nothing while b is within 2 u.
  std::optional<Quantity> direction_deg;
};

struct Patternation {
  std::vector<CollectorFlow> sectors, rings;  // empty where rows name none
  Quantity total_g_s;
  std::optional<Quantity> non_uniformity;       // with sectors
  double non_uniformity_by_noise = 0.0;         // what noise alone would show in an even spray
  std::optional<double> largest_over_smallest;  // of the sectors' flows; nothing where one collected nothing
  std::optional<Imbalance> imbalance;           // with three sectors and more
  std::optional<Quantity> mean_radius_mm;       // with rings and edges: of the flow, ring middles
  std::vector<double> ring_edge_mm;             // as given
  int repeats = 1;                              // of every collector, at least
};

// Throws InputError, with the row's place: no row, a negative or non-finite mass or u, a time not above zero,
// an index below zero, a collector missing, rows that name sectors and rows that do not, nothing collected,
// edges that do not fit.
Patternation ReadPattern(const std::vector<CollectorRow>& rows, const PatternationOptions& options = {});

}  // namespace conebook::calib
