#include "vision/footage.h"

#include <filesystem>

#include <calib/error.h>

#include "vision/frame_folder.h"
#include "vision/video_file.h"

namespace conebook::vision {

int FootageFormat::UprightWidth() const {
  return turn == QuarterTurn::k0 || turn == QuarterTurn::k180 ? stored_width_px : stored_height_px;
}

int FootageFormat::UprightHeight() const {
  return turn == QuarterTurn::k0 || turn == QuarterTurn::k180 ? stored_height_px : stored_width_px;
}

std::unique_ptr<Footage> OpenFootage(const std::string& path, const FootageOptions& options) {
  namespace fs = std::filesystem;
  std::error_code error;
  const fs::file_status status = fs::status(path, error);
  if (!fs::exists(status)) {
    throw calib::InputError(path + ": no such clip; expected a video file or a folder of frames");
  }
  if (fs::is_directory(status)) return OpenFrameFolder(path, options);
  return OpenVideoFile(path, options);
}

}  // namespace conebook::vision
