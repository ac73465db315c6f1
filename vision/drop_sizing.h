// What a close-up of drops gave: each counted drop, and what was left out. How: vision/drops.h.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include <vision/drop_speed.h>

namespace conebook::vision {

struct SizedDrop {
  double diameter_px = 0.0;
  double weight = 1.0;  // drops that it stands for
  int frame = 0;        // of those looked at
};

enum class DropVerdict { kResolved, kPartly, kNotResolvable };
const char* NameOf(DropVerdict verdict);  // "resolved", "partly", "not_resolvable"

struct DropSizing {
  DropVerdict verdict = DropVerdict::kNotResolvable;
  std::string why;               // of a verdict other than resolved
  std::vector<SizedDrop> drops;  // counted: in focus, whole, alone, above the cut-off
  double cutoff_px = 0.0;
  double blur_limit_px = 0.0;
  double smear_px = 0.0;  // travel during the exposure, median of drops large enough to tell; 0: none seen
  double opaque = 1.0;    // light that an opaque drop in focus takes away
  int frames = 0;         // looked at
  int width_px = 0, height_px = 0;  // the window
  // Shadows left out, over all frames.
  int below_cutoff = 0, out_of_focus = 0, crowded = 0, at_border = 0;
  double covered_share = 0.0;  // mean, of the picture
  std::optional<DropSpeed> speed;
  std::string no_speed;  // why there is none
};

}  // namespace conebook::vision
