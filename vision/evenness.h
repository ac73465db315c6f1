// How evenly the spray's drops are spread, as back light shows it below the end of the sheet: by extinction,
// not by mass; drops hide light by their area. Angles in the picture, from the middle between the spray's two
// sides, positive to the right. What vision/evenness_reader.h reads.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include <calib/quantity.h>

namespace conebook::vision {

// Radially, at one distance below the exit (calib/abel.h).
struct ExtinctionProfile {
  std::vector<double> radius_mm, extinction_per_mm, u_per_mm;
  calib::Quantity peak_radius_mm;
  calib::Quantity peak_angle_deg;  // of the ray from the exit through the peak, against the axis
  calib::Quantity hollowness;  // 1 - mean within half the peak radius / peak: 1 an empty core, 0 a filled one
  bool peak_on_axis = false;   // hollowness then says little
};

// A ray from the exit that hides more light than its surroundings throughout; less, where strength < 0.
struct Streak {
  double angle_deg = 0.0;
  calib::Quantity strength;  // excess over its surroundings, as a part of theirs
};

struct Evenness {
  double from_mm = 0.0, to_mm = 0.0, at_mm = 0.0;  // below the exit: the band, and where the profile holds
  int frames = 0;
  std::vector<double> angle_deg, absorbance, u_absorbance;  // across the picture, mean over frames and band
  std::optional<ExtinctionProfile> profile;
  std::string no_profile;   // why there is none
  calib::Quantity balance;  // (right - left) / (right + left) of the absorbance
  std::vector<Streak> streaks;
  double least_streak = 0.0;  // a weaker one would not have been seen
};

}  // namespace conebook::vision
