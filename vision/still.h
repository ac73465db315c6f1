// Single frames as 8-bit pictures, upright, for reports.
#pragma once

#include <string>
#include <vector>

#include <opencv2/core.hpp>

#include "vision/footage.h"
#include "vision/view.h"

namespace conebook::vision {

// Pictures of the given frames (any order), in the order given. Decodes the clip again up to the last of
// them. Frames of more than 8 bits are stretched to their own range.
std::vector<cv::Mat> TakeStills(const std::string& path, const View& view, const FootageFormat& format,
                                const std::vector<std::size_t>& frames);

}  // namespace conebook::vision
