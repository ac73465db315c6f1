#include "vision/frame_folder.h"

#include <algorithm>
#include <cctype>
#include <filesystem>
#include <vector>

#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>

#include <calib/error.h>

#include "vision/transfer.h"

namespace conebook::vision {
namespace {

namespace fs = std::filesystem;

std::string LowerExtension(const fs::path& path) {
  std::string extension = path.extension().string();
  std::transform(extension.begin(), extension.end(), extension.begin(),
                 [](unsigned char c) { return static_cast<char>(std::tolower(c)); });
  return extension;
}

// Digits compare as numbers, so that frame 10 follows frame 9 whatever the padding.
bool NaturalLess(const std::string& a, const std::string& b) {
  std::size_t i = 0;
  std::size_t j = 0;
  const auto digit = [](char c) { return std::isdigit(static_cast<unsigned char>(c)) != 0; };
  while (i < a.size() && j < b.size()) {
    if (digit(a[i]) && digit(b[j])) {
      std::size_t i1 = i;
      std::size_t j1 = j;
      while (i1 < a.size() && digit(a[i1])) ++i1;
      while (j1 < b.size() && digit(b[j1])) ++j1;
      std::string na = a.substr(i, i1 - i);
      std::string nb = b.substr(j, j1 - j);
      na.erase(0, std::min(na.find_first_not_of('0'), na.size()));
      nb.erase(0, std::min(nb.find_first_not_of('0'), nb.size()));
      if (na.size() != nb.size()) return na.size() < nb.size();
      if (na != nb) return na < nb;
      i = i1;
      j = j1;
    } else {
      if (a[i] != b[j]) return a[i] < b[j];
      ++i;
      ++j;
    }
  }
  if (a.size() - i != b.size() - j) return a.size() - i < b.size() - j;
  return a < b;
}

class FrameFolder : public Footage {
 public:
  FrameFolder(const std::string& path, const FootageOptions& options) : path_(path) {
    for (const auto& entry : fs::directory_iterator(path)) {
      if (entry.is_regular_file() && IsImageName(entry.path()))
        names_.push_back(entry.path().filename().string());
    }
    std::sort(names_.begin(), names_.end(), NaturalLess);
    if (names_.empty()) {
      throw calib::InputError(path +
                              ": the folder holds no images; expected frames as PNG, TIFF, PGM, BMP or JPEG");
    }
    const cv::Mat first = Load(0);
    if (first.empty()) throw calib::InputError(path + "/" + names_[0] + ": cannot be read as an image");
    format_.stored_width_px = first.cols;
    format_.stored_height_px = first.rows;
    format_.bits = first.depth() == CV_16U ? 16 : 8;
    if (format_.bits == 16 && options.white_level) {
      format_.bits = BitsOfWhiteLevel(*options.white_level);
    }
    format_.compressed = LowerExtension(names_[0]) == ".jpg" || LowerExtension(names_[0]) == ".jpeg";
    format_.transfer = first.depth() == CV_16U ? Transfer::kLinear : Transfer::kDisplay;
    format_.has_stamps = false;
    format_.codec = "frames";
    format_.declared_frames = static_cast<std::int64_t>(names_.size());
  }

  const FootageFormat& Format() const override { return format_; }
  int DecodeErrors() const override { return errors_; }

  bool Next(LumaFrame& frame) override {
    while (next_ < names_.size()) {
      auto image = std::make_shared<cv::Mat>(Load(next_));
      const std::size_t index = next_++;
      if (image->empty()) {
        ++errors_;
        continue;
      }
      if (image->cols != format_.stored_width_px || image->rows != format_.stored_height_px) {
        throw calib::InputError(path_ + "/" + names_[index] + ": frame is " + std::to_string(image->cols) +
                                " x " + std::to_string(image->rows) + " px, the first one " +
                                std::to_string(format_.stored_width_px) + " x " +
                                std::to_string(format_.stored_height_px) +
                                "; expected frames of one size: take the others out of the folder");
      }
      if ((image->depth() == CV_16U) != (format_.bits > 8)) {
        throw calib::InputError(path_ + "/" + names_[index] +
                                ": 8-bit and 16-bit frames are mixed; expected frames of one kind");
      }
      frame.index = static_cast<std::int64_t>(index);
      frame.stamp_s = static_cast<double>(index);
      frame.data = image->data;
      frame.stride_bytes = static_cast<std::ptrdiff_t>(image->step);
      frame.corrupt = false;
      frame.keep = image;
      return true;
    }
    return false;
  }

 private:
  cv::Mat Load(std::size_t index) const {
    cv::Mat image;
    try {
      image = cv::imread(path_ + "/" + names_[index], cv::IMREAD_UNCHANGED);
    } catch (const cv::Exception&) {
      return {};
    }
    if (image.empty() || (image.depth() != CV_8U && image.depth() != CV_16U)) return {};
    if (image.channels() == 3) cv::cvtColor(image, image, cv::COLOR_BGR2GRAY);
    if (image.channels() == 4) cv::cvtColor(image, image, cv::COLOR_BGRA2GRAY);
    return image.channels() == 1 ? image : cv::Mat();
  }

  std::string path_;
  std::vector<std::string> names_;
  FootageFormat format_;
  std::size_t next_ = 0;
  int errors_ = 0;
};

}  // namespace

bool IsImageName(const fs::path& path) {
  static const char* const kKnown[] = {".png", ".tif", ".tiff", ".pgm", ".bmp", ".jpg", ".jpeg"};
  const std::string extension = LowerExtension(path);
  return std::any_of(std::begin(kKnown), std::end(kKnown), [&](const char* k) { return extension == k; });
}

std::unique_ptr<Footage> OpenFrameFolder(const std::string& path, const FootageOptions& options) {
  return std::make_unique<FrameFolder>(path, options);
}

}  // namespace conebook::vision
