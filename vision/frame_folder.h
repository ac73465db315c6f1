// A folder of frames (PNG, TIFF 8 or 16 bit, PGM, BMP, JPEG), taken in the order of their names.
#pragma once

#include <filesystem>
#include <memory>
#include <string>

#include "vision/footage.h"

namespace conebook::vision {

bool IsImageName(const std::filesystem::path& path);  // by its ending

// Throws calib::InputError: no images in the folder, a first image that cannot be read.
std::unique_ptr<Footage> OpenFrameFolder(const std::string& path, const FootageOptions& options);

}  // namespace conebook::vision
