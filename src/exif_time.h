// When a JPEG was taken, as its camera noted it: Exif (CIPA DC-008) tags DateTimeOriginal, else DateTime,
// with OffsetTimeOriginal as the zone where the camera wrote one.
#pragma once

#include <optional>
#include <string>

#include "src/iso_date.h"

namespace conebook::src {

// Nothing where the file is no JPEG or says nothing of it.
std::optional<ClockTime> ExifTime(const std::string& path);

}  // namespace conebook::src
