// The clip once more, as H.264 in MP4, with what was measured drawn in: boundary, fitted lines, stations and
// breakup of the pressure point that a frame belongs to. The film keeps the container's own pace (a
// high-speed clip plays slowly); which point a frame belongs to goes by capture time. Same run, same build:
// same bytes.
#pragma once

#include <functional>
#include <optional>
#include <string>

#include "src/run.h"

namespace conebook::src {

struct OverlayVideoOptions {
  std::optional<double> fps;          // true capture rate, as in the rig; nothing: the container's stamps
  std::optional<double> white_level;  // of frames that use fewer bits than their file
  int threads = 0;                    // of the decoder; 0: all cores; never changes the film
  std::function<bool()> should_stop;  // true: give up by throwing vision::Interrupted; nothing is left behind
};

// Decodes clip_path again. The film is written under another name beside out_path and renamed at the end. An
// image side of odd length loses its last row or column, which H.264's 4:2:0 has no room for. Throws
// calib::InputError: clip or output cannot be used, or this FFmpeg has no H.264 encoder.
void WriteOverlayVideo(const Run& run, const std::string& clip_path, const std::string& out_path,
                       const OverlayVideoOptions& options);

}  // namespace conebook::src
