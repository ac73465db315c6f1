// From code values to linear light, 1 = full scale. ITU-R BT.709 inverse opto-electronic transfer
// (display-encoded video; HDR curves are read with it too, and flagged), identity for raw frames. Limited
// range: ITU-R BT.709, 16 to 235 of 8 bits and its multiples.
#pragma once

#include <vector>

#include "vision/footage.h"

namespace conebook::vision {

// One entry for every code value of the format (2^bits, or 2^16 where files may exceed it).
std::vector<float> LightOfCodeValue(const FootageFormat& format);

// The code value from which on light counts as clipped.
int ClippedCodeValue(const FootageFormat& format);

// Bits of 16-bit code values whose highest is this: only the position of full scale matters, values above it
// are clipped light. 9 to 16.
int BitsOfWhiteLevel(double white_level);

}  // namespace conebook::vision
