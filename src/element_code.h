// The code on an element's card, filmed before its clip: a QR code (ISO/IEC 18004) of "element:" and the id.
// The library stays behind this header.
#pragma once

#include <string>
#include <vector>

#include <opencv2/core.hpp>

namespace conebook::src {

// Rows of modules, 1 dark; without margin. Error correction level Q: a quarter of it may be wet. Throws
// calib::InputError: an empty id, or one of more than 60 bytes.
cv::Mat1b ElementCode(const std::string& element);

// Ids of the cards in view, sorted, each once; codes that are no element's are left out. 8-bit grey.
std::vector<std::string> ReadElementCodes(const cv::Mat& grey);

}  // namespace conebook::src
