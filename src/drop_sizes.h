// Drop sizes of one point in micrometres: what the footage showed, through the scale, as statistics with u.
#pragma once

#include <array>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include <calib/drop_statistics.h>
#include <calib/flag.h>
#include <calib/quantity.h>
#include <vision/drop_sizing.h>

namespace conebook::src {

// How fast the drops go: median of those followed over three frames.
struct DropSpeedInSpace {
  calib::Quantity speed_m_s;
  double scatter_m_s = 0.0;    // among drops
  double direction_deg = 0.0;  // in the picture, from the spray's own direction, positive to the right
  int tracks = 0;
  double by_chance = 0.0;  // share of as many tracks in unrelated pictures
};

// Weighting: spatial, drops in the window at an instant; slow drops count for more than in the flow.
struct DropSizes {
  std::string verdict;  // "resolved", "partly"
  int count = 0;        // above the cut-off
  int pictures = 0;
  double cutoff_um = 0.0;
  double window_width_mm = 0.0, window_height_mm = 0.0;
  calib::Quantity d10_um, d20_um, d30_um, d32_um, d43_um;
  calib::Quantity dn50_um, dv10_um, dv50_um, dv90_um;
  calib::Quantity span;  // (DV90 - DV10) / DV50
  calib::DropHistogram histogram;
  std::optional<calib::LogNormalFit> log_normal;
  std::optional<calib::RosinRammlerFit> rosin_rammler;
  double largest_um = 0.0, largest_volume_share = 0.0;
  double effective_count = 0.0;
  std::optional<double> needed_for_d32;  // drops, for 5 % at 95 %
  // Shadows left out.
  int below_cutoff = 0, out_of_focus = 0, crowded = 0, at_border = 0;
  std::optional<DropSpeedInSpace> speed;
};

// Its quantities under their names in result file and archive.
inline constexpr std::array<std::pair<const char*, calib::Quantity DropSizes::*>, 10> kDropQuantities{
    {{"d10_um", &DropSizes::d10_um},
     {"d20_um", &DropSizes::d20_um},
     {"d30_um", &DropSizes::d30_um},
     {"d32_um", &DropSizes::d32_um},
     {"d43_um", &DropSizes::d43_um},
     {"dn50_um", &DropSizes::dn50_um},
     {"dv10_um", &DropSizes::dv10_um},
     {"dv50_um", &DropSizes::dv50_um},
     {"dv90_um", &DropSizes::dv90_um},
     {"span", &DropSizes::span}}};

// Nothing, with a flag that says why: no scale, or nothing that can be sized. `point`: for the flags;
// `missing`: how much that matters, a warning where drops are what was filmed.
std::optional<DropSizes> SizesOfDrops(const vision::DropSizing& sizing,
                                      const std::optional<calib::Quantity>& px_per_mm, int point,
                                      calib::Severity missing, std::vector<calib::Flag>& flags);

}  // namespace conebook::src
