// Drop sizes of a close-up in back light, over many pictures of it.
//
// In focus means a blur of at most a limit that is the same for drops of all sizes: a limit in parts of the
// diameter would let large drops be counted over more depth than small ones. The limit sets the smallest drop
// that can be sized within it. Drops that lie on the picture's border are left out, the more of them the
// larger they are, and so are drops that others touch: each that is counted stands for more by the inverse of
// its chance to be seen whole and alone (border: Miles 1978, Lantuejoul, as ISO 13322-1 has it, from memory;
// alone: Poisson).
// A picture counts drops in space: slow drops weigh more than in the flow.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include <opencv2/core.hpp>

#include "vision/clip_model.h"
#include "vision/drop_finder.h"
#include "vision/spray_measurement.h"

namespace conebook::vision {

struct DropSizingOptions {
  DropFinderOptions finder;
  double least_px = 5.0;             // diameter: below, pixels decide
  double least_partly_px = 4.0;      // the same, where nothing larger is there
  double blur_of_best = 1.5;         // limit of the blur, in the blur of the sharpest fifth of drops,
  double least_blur_limit_px = 1.2;  // and at least
  double cutoff_in_blur = 3.8;       // smallest diameter that a blur at the limit leaves measurable
  double cutoff_in_smear = 2.0;      // and travel during the exposure
  int most_frames = 400;             // looked at, evenly
};

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
};

// From what was found in each picture of a window of this size.
DropSizing SizeDrops(const std::vector<FrameDrops>& frames, int width_px, int height_px, double opaque,
                     const DropSizingOptions& options);

// Light lost at each place of a frame, against the model's background, less what changes slowly over the
// picture.
cv::Mat1f ShadeOf(const ClipModel& model, const LumaFrame& frame);

// What an opaque drop in focus takes away: of the darkest large shadows of some pictures.
double OpaqueShade(const std::vector<cv::Mat1f>& shades);

}  // namespace conebook::vision
