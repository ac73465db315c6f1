// The pictures of a run: a frame of each point with what was measured drawn over it, each with a text for
// those who cannot see it. Embedded as JPEG, as good as the bytes allow.
#pragma once

#include <cstddef>
#include <optional>
#include <string>

#include "src/run.h"

namespace conebook::src {

// The point that shows most: angle and breakup both there, most frames; nothing when no point has a picture.
std::optional<int> PointForLargePicture(const Run& run);

// One point, large, with the legend of what is drawn.
std::string LeadPictureHtml(const Run& run, int point, std::size_t max_bytes);

// All points, the one that shows most first and large; empty without a picture. The bytes are for all of them
// together, but no picture is made unreadable for their sake.
std::string PicturesHtml(const Run& run, std::size_t picture_bytes);

}  // namespace conebook::src
