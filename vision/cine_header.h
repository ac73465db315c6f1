// What a .cine file says beside its pictures, which the video library does not hand on: when each frame was
// taken, how many bits of a pixel are real, and when the recording began. Layout: the maker's published
// description of the format, "Cine File Format" (offsets from memory, checked against two open readers).
// Little-endian. Stamps are 32.32 fixed-point seconds since 1970, UTC.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

namespace conebook::vision {

struct CineHeader {
  double set_fps = 0.0;  // as set on the camera
  int real_bits = 0;     // of a pixel; 0: not said
  int stored_bits = 0;
  std::vector<std::uint64_t> stamps;  // one a frame; empty: the file holds none

  double SecondsAfterFirst(std::size_t frame) const;  // frame < stamps.size()
  std::string RecordedAt() const;                     // ISO 8601 of the first stamp; empty without stamps
};

// Nothing: not such a file, or one cut off within its header.
std::optional<CineHeader> ReadCineHeader(const std::string& path);

}  // namespace conebook::vision
