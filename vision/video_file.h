// A video file through libavformat and libavcodec: luma as decoded, bit-exact, with stamps and rotation tag.
#pragma once

#include <filesystem>
#include <memory>
#include <string>

#include "vision/footage.h"

namespace conebook::vision {

bool IsVideoName(const std::filesystem::path& path);  // by its ending

// Throws calib::InputError: not a video, no video stream, no decoder, no frame that decodes.
std::unique_ptr<Footage> OpenVideoFile(const std::string& path, const FootageOptions& options);

}  // namespace conebook::vision
