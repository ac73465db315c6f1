// Drop sizes of a clip or of stills: decodes the frames wanted, finds the drops of each on several threads.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "vision/clip_model.h"
#include "vision/drops.h"
#include "vision/view.h"

namespace conebook::vision {

// `frames`: rising numbers of decoded frames; at most options.most_frames of them are looked at, evenly. With
// too few frames for a background from the clip, each frame's own light between the drops is taken. Where
// the drops can be followed, frames that show the same ones again are left out of the sizes. The result does
// not depend on the number of threads (0: all cores). `interval_s`: between neighbouring frames;
// nothing: not known, and no speeds. Throws calib::InputError.
DropSizing SizeDropsOfClip(const std::string& path, const View& view, const ClipModel& model,
                           const std::vector<std::int64_t>& frames, int threads,
                           const DropSizingOptions& options, std::optional<double> interval_s = std::nullopt);

}  // namespace conebook::vision
