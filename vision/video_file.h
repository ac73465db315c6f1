// A video file through libavformat and libavcodec: luma as decoded, bit-exact, with stamps and rotation tag.
#pragma once

#include <memory>
#include <string>

#include "vision/footage.h"

namespace conebook::vision {

// Throws calib::InputError: not a video, no video stream, no decoder, no frame that decodes.
std::unique_ptr<Footage> OpenVideoFile(const std::string& path, const FootageOptions& options);

}  // namespace conebook::vision
