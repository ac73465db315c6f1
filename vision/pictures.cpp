#include "vision/pictures.h"

#include <algorithm>
#include <array>
#include <cctype>
#include <filesystem>
#include <map>
#include <system_error>

#include <fmt/format.h>
#include <opencv2/imgcodecs.hpp>

#include <calib/error.h>

#include "vision/footage.h"
#include "vision/frame_folder.h"
#include "vision/still.h"

namespace conebook::vision {
namespace {

namespace fs = std::filesystem;

cv::Mat ReadImage(const std::string& path) {
  cv::Mat grey;
  try {
    grey = cv::imread(path, cv::IMREAD_GRAYSCALE);  // turned upright as the file says
  } catch (const cv::Exception&) {
    grey.release();
  }
  if (grey.empty()) throw calib::InputError(path + ": is not a picture that can be read");
  return grey;
}

}  // namespace

std::vector<Picture> TakePictures(const std::string& path, int most) {
  const std::string name = fs::path(path).filename().string();
  std::error_code error;
  if (!fs::exists(path, error)) throw calib::InputError(path + ": no such file or folder");
  if (!fs::is_directory(path, error) && IsImageName(path)) return {{name, ReadImage(path)}};

  // The length of a clip is known at its end only: when there are twice as many as wanted, every second goes.
  const std::unique_ptr<Footage> footage = OpenFootage(path, FootageOptions{});
  std::map<std::int64_t, cv::Mat> kept;
  std::int64_t stride = 1;
  LumaFrame frame;
  while (footage->Next(frame)) {
    if (frame.index % stride != 0 || frame.corrupt || frame.tainted) continue;
    kept[frame.index] = StillOf(footage->Format(), frame);
    if (kept.size() < 2 * static_cast<std::size_t>(std::max(1, most))) continue;
    stride *= 2;
    std::erase_if(kept, [&](const auto& one) { return one.first % stride != 0; });
  }
  if (kept.empty()) throw calib::InputError(path + ": no frame of this clip decodes without errors");
  std::vector<Picture> pictures;
  const std::size_t step =
      (kept.size() + static_cast<std::size_t>(most) - 1) / static_cast<std::size_t>(most);
  std::size_t i = 0;
  for (const auto& [index, still] : kept) {
    if (i++ % step == 0) pictures.push_back({fmt::format("{} frame {}", name, index), still});
  }
  return pictures;
}

}  // namespace conebook::vision
