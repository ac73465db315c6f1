// Footage as luma frames: a video file, or a folder of frames. Frames come in display order with the
// container's own stamps; nothing is converted where the file already holds luma (8 to 16 bits kept).
// Containers lie about counts and rates: everything said here is about what decoded.
#pragma once

#include <cstdint>
#include <memory>
#include <optional>
#include <string>

namespace conebook::vision {

// How code values relate to light.
enum class Transfer {
  kLinear,   // raw high-speed frames
  kDisplay,  // camera video: ITU-R BT.709 curve
  kHdr       // PQ or HLG: light cannot be had from it
};

// How the stored frame must be turned, clockwise, to stand upright.
enum class QuarterTurn { k0 = 0, k90 = 90, k180 = 180, k270 = 270 };

struct FootageFormat {
  int stored_width_px = 0, stored_height_px = 0;  // as stored, before the turn
  QuarterTurn turn = QuarterTurn::k0;
  bool mirrored = false;  // the rotation tag also flips
  int bits = 8;           // of a code value
  bool full_range = true;
  Transfer transfer = Transfer::kDisplay;
  bool compressed = true;
  bool has_stamps = true;  // false: a folder of frames; time is the frame's number
  std::string codec;
  std::string recorded_at;  // ISO 8601, as the container says when it was recorded; empty: it does not
  std::optional<std::int64_t> declared_frames;
  std::optional<double> declared_fps;  // of the header
  std::optional<double> capture_fps;   // some phones note it beside a slower playing rate

  int UprightWidth() const;
  int UprightHeight() const;
};

// One frame as stored. The pixels live as long as any copy of the frame does.
struct LumaFrame {
  std::int64_t index = 0;
  double stamp_s = 0.0;                // container time, first frame at 0
  const std::uint8_t* data = nullptr;  // rows of 8-bit or (bits > 8) little-endian 16-bit values
  std::ptrdiff_t stride_bytes = 0;
  bool corrupt = false;  // the decoder concealed errors
  float changed = 1.0F;  // share of some pixels that differ from the frame before; set while a clip is read
  bool tainted = false;  // predicted, at some remove, from a frame that was damaged or is missing
  std::shared_ptr<const void> keep;

  template <typename T>
  const T* Row(int y) const {
    return reinterpret_cast<const T*>(data + y * stride_bytes);
  }
};

struct FootageOptions {
  int threads = 0;                    // of the decoder; 0: all cores
  std::optional<double> white_level;  // of frames that use fewer bits than their file
};

class Footage {
 public:
  virtual ~Footage() = default;
  virtual const FootageFormat& Format() const = 0;
  // False at the end. Throws calib::InputError where frame sizes differ.
  virtual bool Next(LumaFrame& frame) = 0;
  // Errors that the decoder reported so far.
  virtual int DecodeErrors() const = 0;
};

// Throws calib::InputError: no such clip, not a video, a folder without images.
std::unique_ptr<Footage> OpenFootage(const std::string& path, const FootageOptions& options);

}  // namespace conebook::vision
