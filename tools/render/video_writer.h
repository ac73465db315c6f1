// Writes a clip: H.264 or HEVC by libavcodec, luma given, chroma neutral; or a folder of 8-bit or 16-bit
// frames.
#pragma once

#include <cstdint>
#include <filesystem>
#include <memory>
#include <string>
#include <vector>

#include "render/scene.h"

namespace conebook::render {

// One picture as stored (before the rotation tag acts): 8 bits in the low byte, 10 or 16 bits as they are.
struct StoredFrame {
  int width = 0, height = 0;
  std::vector<std::uint16_t> value;
};

class ClipWriter {
 public:
  // `directory`/clip.<container>, or `directory`/clip/ for frames.
  ClipWriter(const std::filesystem::path& directory, const RecordingSetting& setting, int width, int height);
  ~ClipWriter();
  ClipWriter(const ClipWriter&) = delete;
  ClipWriter& operator=(const ClipWriter&) = delete;
  void Write(const StoredFrame& frame, double container_time_s);
  void Finish();
  std::string Name() const;  // of the clip, relative to the directory

 private:
  struct State;
  std::unique_ptr<State> state_;
};

}  // namespace conebook::render
