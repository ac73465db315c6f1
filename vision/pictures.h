// Single pictures for a calibration: an image file, or frames taken evenly from a clip or a folder of frames.
#pragma once

#include <string>
#include <vector>

#include <opencv2/core.hpp>

namespace conebook::vision {

struct Picture {
  std::string name;  // the file's, with the frame's number where it is one of several
  cv::Mat grey;      // 8-bit, upright, code values as stored
};

// At most `most` pictures, at least one. Throws calib::InputError: not there, or neither image nor clip.
std::vector<Picture> TakePictures(const std::string& path, int most);

}  // namespace conebook::vision
