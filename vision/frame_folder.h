// A folder of frames (PNG, TIFF 8 or 16 bit, PGM, BMP, JPEG), taken in the order of their names.
#pragma once

#include <memory>
#include <string>

#include "vision/footage.h"

namespace conebook::vision {

// Throws calib::InputError: no images in the folder, a first image that cannot be read.
std::unique_ptr<Footage> OpenFrameFolder(const std::string& path, const FootageOptions& options);

}  // namespace conebook::vision
